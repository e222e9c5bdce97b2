"""What the table of findings says of each: nothing in, the class of its rows out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of finding."""

    code: str
    brief: str
    """For the table's column "why"."""
    level: str
    """Which levels it may have, and when."""
    meaning: str
    evidence: str
    """What in the recording decides."""
    look_alike: str
    """What it must not be mistaken for."""
    advice: str
