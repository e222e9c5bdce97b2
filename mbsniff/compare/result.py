"""What compare hands to report: devices side by side, their figures and findings, and what stands out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mbsniff.compare.catalogue import Figure
from mbsniff.diagnose import Diagnosis, Verdict
from mbsniff.diagnose.finding import Level

Outcome = Literal["worse", "better", "higher", "lower", "same", "not clear", "cannot tell"]
Change = Literal["new", "worse", "gone", "better", "unchanged"]
CHANGES: tuple[Change, ...] = ("new", "worse", "gone", "better", "unchanged")
STANDS_OUT: tuple[Outcome, ...] = ("worse", "better", "higher", "lower")


@dataclass(frozen=True)
class Row:
    """One figure of one device: before, after, and whether the change stands out.

    Values are in the figure's unit; None where there is nothing to measure.
    """

    figure: Figure
    before: float | None
    after: float | None
    outcome: Outcome
    matters: bool
    """Whether the change is as large as the smallest that matters, be it variation or not."""
    why: str = ""
    """Why it cannot be told, or what else there is to say of it."""
    interval: tuple[float, float] | None = None
    """Of the change (after − before), or of the ratio (after ÷ before) for events; infinite where open."""
    before_median: float | None = None
    """Median over blocks of time."""
    after_median: float | None = None

    @property
    def change(self) -> float | None:
        """After − before."""
        return None if self.before is None or self.after is None else self.after - self.before

    @property
    def stands_out(self) -> bool:
        """Whether the change is more than variation, and matters."""
        return self.outcome in STANDS_OUT


@dataclass(frozen=True)
class FindingChange:
    """Findings of one code, device and cause, in both recordings."""

    code: str
    cause: str | None
    device: str
    """Key of the device after, or before where it is in that recording alone."""
    name: str | None
    level: Level
    """The graver of the two."""
    before: int
    after: int
    before_per_h: float | None
    after_per_h: float | None
    change: Change
    clear: bool | None
    """Whether chance is ruled out; None where the finding does not count events."""
    why: str = ""
    texts: tuple[str | None, str | None] = (None, None)
    """The first finding's words, before and after."""
    fault_got_worse: bool = False


@dataclass(frozen=True)
class DeviceChange:
    """One device in both recordings."""

    before: Verdict
    after: Verdict
    moved: bool
    """Whether its address, port or units changed under its name."""
    block_ns: int
    blocks: tuple[int, int]
    rows: list[Row]

    @property
    def name(self) -> str | None:
        """The site's name for it."""
        return self.after.figures.name or self.before.figures.name

    def row(self, key: str) -> Row:
        """The row of a figure."""
        return next(row for row in self.rows if row.figure.key == key)


@dataclass(frozen=True)
class Comparison:
    """Two recordings held against each other, worst first."""

    before: Diagnosis
    after: Diagnosis
    devices: list[DeviceChange]
    only_before: list[Verdict]
    only_after: list[Verdict]
    findings: list[FindingChange]
    alpha: float
    """Each interval fails to hold its figure with this probability."""
    doubts: list[str]

    @property
    def fault_got_worse(self) -> bool:
        """Whether a fault is new, graver or more frequent, for the exit status."""
        return any(finding.fault_got_worse for finding in self.findings)
