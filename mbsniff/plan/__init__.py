"""Figures of a recording, or a register list, and what devices tolerate → a poll list of the fewest reads."""

from mbsniff.plan.make import plan_polls
from mbsniff.plan.plan import DevicePlan, Numbers, Obstacle, Plan, PlannedPoll
from mbsniff.plan.target import ANY_MASTER, Target

__all__ = ["ANY_MASTER", "DevicePlan", "Numbers", "Obstacle", "Plan", "PlannedPoll", "Target", "plan_polls"]
