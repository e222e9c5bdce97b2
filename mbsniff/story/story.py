"""What story hands to report: the story of one silence or moment, as sentences with their times and frames."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.diagnose.finding import Certainty, Diagnosis, Evidence
from mbsniff.diagnose.recovery import Recovery
from mbsniff.measure import DeviceFigures
from mbsniff.story.scope import Scope
from mbsniff.story.times import Times


@dataclass(frozen=True)
class Step:
    """One thing that happened, or several alike that were folded into one sentence."""

    kind: str
    """A code of `mbsniff.story.kinds.KINDS`."""
    from_ns: int
    until_ns: int
    """The last of those folded, or where the stretch ends; ``from_ns`` for a single one."""
    count: int
    text: str
    """The sentence, without its time and frames."""
    evidence: tuple[Evidence, ...]
    """The first frame, and the last one where there are several."""
    weight: int
    """The greater, the sooner it is told where room is short; 0: only where everything is told."""


@dataclass(frozen=True)
class Titled:
    """A short paragraph with its title."""

    title: str
    text: str
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Argued:
    """The cause, and the argument for it."""

    code: str
    certainty: Certainty
    text: str
    evidence: tuple[Evidence, ...]
    against: tuple[str, ...]
    """What speaks against the neighbouring causes."""
    would_decide: tuple[str, ...]
    rivals: tuple[tuple[str, str], ...]
    """(cause, why it remains possible), the likeliest first."""


@dataclass(frozen=True)
class Story:
    """The whole story. Times are nanoseconds since the epoch."""

    diagnosis: Diagnosis
    times: Times
    device: DeviceFigures
    from_ns: int
    until_ns: int
    headline: str
    summary: str
    is_fault: bool
    """For the exit status."""
    incident: int | None
    """Number of the incident, as `diagnose` counts them."""
    steps: list[Step]
    """In time order."""
    cause: Argued | None
    recovery: list[Titled]
    unseen: list[str]
    """What the wire cannot show, a sentence each."""
    scope: Scope
    """What is told of, as figures."""
    facts: Recovery | None
    """What is known of the recovery, as figures; None of a moment, and of one master's silence."""
