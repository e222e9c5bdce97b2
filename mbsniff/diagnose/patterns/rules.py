"""A device in, the findings of every pattern out: its own, and at the one that speaks for it, the endpoint's."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.answers import answer_patterns
from mbsniff.diagnose.patterns.connecting import connecting_patterns
from mbsniff.diagnose.patterns.ending import ending_patterns
from mbsniff.diagnose.patterns.framing import framing_patterns
from mbsniff.diagnose.patterns.ground import Ground, speaks
from mbsniff.diagnose.patterns.neighbours import neighbour_patterns
from mbsniff.diagnose.patterns.pairing import pairing_patterns, unit_patterns
from mbsniff.diagnose.patterns.waiting import starved, waiting_patterns
from mbsniff.diagnose.patterns.windows import window_patterns
from mbsniff.measure import DeviceFigures

ENDPOINT_RULES: tuple[Callable[[Ground], Iterator[Finding]], ...] = (
    pairing_patterns,
    connecting_patterns,
    ending_patterns,
    waiting_patterns,
    neighbour_patterns,
    window_patterns,
    framing_patterns,
)


def pattern_findings(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """All patterns of a device; its endpoint's stand at one of its devices."""
    yield from answer_patterns(case, device)
    yield from unit_patterns(case, device)
    yield from starved(case, device)
    if speaks(case, device):
        ground = Ground(case, device)
        for rule in ENDPOINT_RULES:
            yield from rule(ground)
