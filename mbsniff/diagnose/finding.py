"""What diagnose hands to report: findings, a verdict per device, and the whole diagnosis."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from mbsniff.exchange import Exchange, RecordingFacts
from mbsniff.measure import DeviceFigures, Figures
from mbsniff.site import Site

if TYPE_CHECKING:  # these hold evidence, as findings do
    from mbsniff.diagnose.clock_jumps import Jump
    from mbsniff.diagnose.hearing import Background, OneDirection
    from mbsniff.diagnose.incidents import Incident
    from mbsniff.diagnose.near_misses import NearMisses
    from mbsniff.diagnose.recovery.facts import Recovery
    from mbsniff.diagnose.timeouts import SupportedTimeout

Level = Literal["fault", "risk", "remark"]
Certainty = Literal["certain", "likely", "open"]
State = Literal["due", "risk", "open", "fine"]

LEVELS: tuple[Level, ...] = ("fault", "risk", "remark")
STATES: tuple[State, ...] = ("due", "risk", "open", "fine")


@dataclass(frozen=True)
class Evidence:
    """A frame that a finding rests on; ``frame`` counts from 1 within its file."""

    file: str
    frame: int


@dataclass(frozen=True)
class Finding:
    """One thing found: when, what, how certain, and what to do. Times are nanoseconds since the epoch."""

    code: str
    level: Level
    device: str | None
    """The device's key, or the endpoint's; None for the recording as a whole."""
    name: str | None
    """The site's name for it."""
    from_ns: int | None
    until_ns: int | None
    certainty: Certainty
    text: str
    advice: str
    cause: str | None = None
    incident: int | None = None
    evidence: tuple[Evidence, ...] = ()
    devices: tuple[str, ...] = ()
    """Keys of the devices that an incident is about."""
    recovery: Recovery | None = None
    """How the device came back, of a silence that is told alone."""
    cause_certainty: Certainty | None = None
    """How certain the cause is; ``certainty`` is that of what was found."""
    against: tuple[str, ...] = ()
    """Sentences: what speaks against each neighbouring cause."""
    would_decide: tuple[str, ...] = ()
    """What would decide, where something remains."""
    rivals: tuple[tuple[str, str], ...] = ()
    """(cause, why it remains possible), the likeliest first."""


@dataclass(frozen=True)
class Verdict:
    """What is said of one device as a whole."""

    figures: DeviceFigures
    state: State
    when_ns: int | None
    """When its worst finding began."""
    why: str | None
    """The worst finding, in a few words."""
    certainty: Certainty | None
    margin: float | None
    """1 − longest silence ÷ timeout."""
    spare_polls: int | None
    supported: SupportedTimeout | None
    """A timeout that the observed polling could support; None where too little was observed."""
    incident: int | None = None
    with_others: bool = False
    """Whether that incident is one of several devices."""

    @property
    def supported_timeout_ns(self) -> int | None:
        """That timeout, where the process may be without control for so long, as far as the site file says."""
        return self.supported.needed_ns if self.supported and self.supported.is_tolerable else None


@dataclass(frozen=True)
class Diagnosis:
    """A recording's diagnosis: worst first."""

    exchange: Exchange
    facts: RecordingFacts
    figures: Figures
    site: Site
    verdicts: list[Verdict]
    findings: list[Finding]
    vantage: str
    """Where the recorder seems to sit, in words."""
    doubts: list[str]
    """What limits the trust in the recording, a sentence each."""
    incidents: list[Incident]
    """Silences that belong together, of one device or several, in time order."""
    near_misses: dict[str, NearMisses]
    """By device's key, where there were any."""
    one_direction: list[OneDirection] = field(default_factory=list)
    """Endpoints of which only one side's frames were recorded."""
    background: Background | None = None
    """Frames that come whatever the plant does; None where none do."""
    clock_jumps: list[Jump] = field(default_factory=list)
    """Where the recorder's clock jumped ahead, as hosts' time stamps show."""

    @property
    def has_fault(self) -> bool:
        """Whether a finding is at fault level, for the exit status."""
        return any(finding.level == "fault" for finding in self.findings)
