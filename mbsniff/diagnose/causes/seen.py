"""What a piece of evidence is made of: Seen, and the Fact that looks for it in a Scene."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.diagnose.finding import Evidence
from mbsniff.diagnose.scene import Scene


@dataclass(frozen=True)
class Seen:
    """Whether something is there: True, False, or None where this recording cannot tell."""

    present: bool | None
    text: str = ""
    """A clause that says what was seen, with its figures; empty unless present."""
    frames: tuple[Evidence, ...] = ()


ABSENT = Seen(False)
UNTOLD = Seen(None)


@dataclass(frozen=True)
class Fact:
    """A small piece of evidence with a name of its own, by which the table of causes goes."""

    name: str
    meaning: str
    """What is the case where it is there, for the reference page."""
    there: str
    """A short clause that says so where it is there."""
    lacking: str
    """A clause that says so where it is not there."""
    find: Callable[[Scene], Seen] | None = None
    """None: it is there where any of the next ones is."""
    any_of: tuple[str, ...] = ()
