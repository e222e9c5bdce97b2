"""Reads over time → how long a zone controller works on the next one; pure, no clock of its own."""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from random import Random

from plant.plan import ZonePlan

WINDOW_S = 10.0
TOLERATED_PER_S = 4.0
READ_S = (0.003, 0.007)
WRITE_S = (0.002, 0.004)


class Service:
    """Work of a small controller that regulates first and communicates with what time is left.

    Within the tolerated rate a read takes a few milliseconds; above it each surplus read of the last 10 s
    makes the next one longer, up to a limit, times ``slowness``; the plan may add work.
    """

    def __init__(self, seed: int, slowness: float, plan: ZonePlan) -> None:
        self.rng = Random(seed)
        self.slowness, self.plan = slowness, plan
        self.reads_s: deque[float] = deque()

    def read_s(self, now_s: float) -> float:
        """Give the work in seconds on a read that comes at ``now_s``."""
        self.reads_s.append(now_s)
        while self.reads_s[0] < now_s - WINDOW_S:
            self.reads_s.popleft()
        surplus = max(0.0, len(self.reads_s) - TOLERATED_PER_S * WINDOW_S)
        extra_s = min(self.plan.surplus_max_s, self.plan.surplus_s * surplus)
        return self.rng.uniform(*READ_S) + self.slowness * extra_s + between(self.plan.work_s, now_s)

    def write_s(self) -> float:
        """Give the work in seconds on a write."""
        return self.rng.uniform(*WRITE_S)


def between(points: tuple[tuple[float, float], ...], at: float) -> float:
    """Give the value at ``at`` on straight lines through ``points``; before them 0, after them the last one."""
    for (left, low), (right, high) in pairwise(points):
        if left <= at < right:
            return low + (high - low) * (at - left) / (right - left)
    return points[-1][1] if points and at >= points[-1][0] else 0.0
