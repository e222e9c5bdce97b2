"""What an audit's rows are: a requirement at a device, measured, its limit, met or not, and the frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mbsniff.diagnose import Evidence

Verdict = Literal["not met", "cannot be told", "met"]
VERDICTS: tuple[Verdict, ...] = ("not met", "cannot be told", "met")


@dataclass(frozen=True)
class Outcome:
    """What came of measuring: the verdict, the measured value in words, and where to see it."""

    verdict: Verdict
    measured: str
    evidence: tuple[Evidence, ...] = ()
    why: str | None = None
    """What is wrong, or why it cannot be told; None where it is met."""


@dataclass(frozen=True)
class Result:
    """One row: a requirement held against a device or a master."""

    code: str
    title: str
    device: str
    """The device's key, or a master's name."""
    name: str | None
    """The site's name for the device."""
    limit: str
    outcome: Outcome

    @property
    def verdict(self) -> Verdict:
        """Met, not met, or not to be told."""
        return self.outcome.verdict


def met(measured: str, evidence: tuple[Evidence, ...] = ()) -> Outcome:
    """The requirement is met."""
    return Outcome("met", measured, evidence)


def not_met(measured: str, why: str, evidence: tuple[Evidence, ...] = ()) -> Outcome:
    """The requirement is not met."""
    return Outcome("not met", measured, evidence, why)


def open_(why: str, measured: str = "-", evidence: tuple[Evidence, ...] = ()) -> Outcome:
    """This recording does not tell."""
    return Outcome("cannot be told", measured, evidence, why)
