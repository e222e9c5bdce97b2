"""Findings about due watchdogs in, those that belong together as incidents out."""

from mbsniff.diagnose.incidents.telling import Incident, with_incidents

__all__ = ["Incident", "with_incidents"]
