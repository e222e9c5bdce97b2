"""What the table of causes is made of: a Row for each cause, and its Neighbours."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.diagnose.finding import Certainty


@dataclass(frozen=True)
class Neighbour:
    """A cause that looks alike, and the one piece of evidence that speaks against it."""

    cause: str
    remains: str
    """Why it remains possible where the evidence does not speak against it; empty: it then does not."""
    has: str = ""
    """Evidence that speaks against the neighbour where it is there."""
    lacks: str = ""
    """Evidence that speaks against the neighbour where it is not there."""


@dataclass(frozen=True)
class Row:
    """A cause: which evidence has to be there, which must not, what makes it surer, what it is taken for."""

    code: str
    shows: str
    """What the wire shows, for the reference page."""
    says: str = ""
    """How the verdict's sentence begins; empty: with the evidence."""
    all_of: tuple[str, ...] = ()
    any_of: tuple[str, ...] = ()
    """At least one of these, where there are any."""
    none_of: tuple[str, ...] = ()
    adds: tuple[tuple[str, str], ...] = ()
    """Further evidence that is told where it is there, and how, as of the rest: a text with {} for its own;
    empty: not at all."""
    certainty: Certainty = "likely"
    surer: tuple[tuple[str, ...], ...] = ()
    """Sets of evidence: one step surer where one of them is there whole."""
    neighbours: tuple[Neighbour, ...] = ()
    decides: tuple[str, ...] = ()
    """What would decide, where something remains."""
    advice: str = ""
    """What to do first."""
    on_absence: bool = False
    """Whether it rests on what was not seen, so that it stays open where the recorder lost frames."""
    open_without: tuple[str, ...] = ()
    """Evidence that has to be known, there or not: where the recording cannot tell, the cause stays open."""
    in_health: bool = False
    """Whether it may be the verdict on a silence that is no longer than usual."""


def by(cause: str, has: str, remains: str = "") -> Neighbour:
    """A neighbour that some evidence rules out where it is there."""
    return Neighbour(cause, remains, has=has)


def without(cause: str, lacks: str, remains: str = "") -> Neighbour:
    """A neighbour that is ruled out where its evidence is not there."""
    return Neighbour(cause, remains, lacks=lacks)


def never(cause: str, remains: str) -> Neighbour:
    """A neighbour that this recording cannot rule out."""
    return Neighbour(cause, remains)
