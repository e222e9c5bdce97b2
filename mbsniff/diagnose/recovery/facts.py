"""What is known of a recovery, as plain values. Times are nanoseconds since the epoch, lengths nanoseconds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mbsniff.diagnose.finding import Evidence
from mbsniff.site import Register

Outcome = Literal["fell back", "before", "did not", "unread", "no second look"]
"""What a status register says of a silence.

``before``: it said so already when the silence began. ``unread``: no reading at a time that could tell.
``no second look``: the recording cannot be read again.
"""


@dataclass(frozen=True)
class Step:
    """A moment of the recovery, with its transaction and its frame."""

    at_ns: int
    row: int
    evidence: Evidence


@dataclass(frozen=True)
class WrittenValue:
    """A value as it was last written, and not refused, before requests returned."""

    register: Register
    declared: bool
    """Whether the site file names it, so that the value is in engineering units; else it is the raw one."""
    label: str
    """Name and numbers; from a site file, so not safe to print as it is."""
    value: float | None
    """None where the recording does not tell."""
    at_ns: int
    age_ns: int
    """How old it was when requests returned, or when the recording ended."""
    row: int
    evidence: Evidence


@dataclass(frozen=True)
class Reset:
    """A write that resets a trip, and whether requests were arriving again before it."""

    at_ns: int
    row: int
    evidence: Evidence
    arriving_ns: int | None
    """For how long requests that feed the watchdog had been arriving again; None: it was written into the silence."""


@dataclass(frozen=True)
class Reading:
    """A status that was read: when the reply was complete, and what it says."""

    at_ns: int
    word: int
    tripped: bool
    evidence: Evidence


@dataclass(frozen=True)
class Proof:
    """What the device's own status register says of a silence."""

    register: Register
    label: str
    outcome: Outcome
    before: Reading | None
    """The last reading before the first one that says that it fell back."""
    fell_back: Reading | None
    """The first reading that says so."""
    back: Reading | None
    """The first reading after that which says so no longer; None where none does before the next silence."""
    clear: Reading | None
    """Outcome ``did not``: the reading that tells."""
    may_have_restarted: bool
    """Outcome ``did not``: whether nothing was read for so long before that it may have restarted, and forgotten."""


@dataclass(frozen=True)
class Feedback:
    """A feedback register that stood at its setpoint before the silence, and left it meanwhile or at its end."""

    register: Register
    label: str
    setpoint: float
    left: Step
    value: float
    """What was read then."""
    back: Step | None
    """When it stood at the last written setpoint again."""


@dataclass(frozen=True)
class Recovery:
    """How a device came back after a silence; None where the recording does not show it."""

    device: str
    from_ns: int
    due_ns: int
    """When its watchdog's timeout had passed."""
    until_ns: int
    any_request: bool
    """Whether any request feeds its watchdog, or only some do."""
    requests: Step | None
    """The request that ended the silence."""
    reply: Step | None
    """The first normal reply from then on."""
    setpoint: Step | None
    """The first write of a setpoint from then on that was not refused."""
    full_round: Step | None
    """The request by which each cyclic poll that was active before had been asked once more."""
    polls: int
    """How many polls a full round has."""
    written: tuple[WrittenValue, ...]
    """Setpoints as last written; with ``on_loss = "hold"`` what the device held."""
    on_loss: Literal["hold", "shut-off"] | None
    resets: tuple[Reset, ...]
    """Writes to the reset register from the due time on, up to the first one after requests had returned."""
    proof: Proof | None
    """None where the site names no status register, or not what it says."""
    feedback: tuple[Feedback, ...]
    feedback_looked_at: int
    """Feedback registers of which readings were seen at their setpoints before the silence."""
