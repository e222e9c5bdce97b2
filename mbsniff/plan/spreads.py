"""Devices with their observed polls in, how unevenly each master polls out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mbsniff.measure.load import SECOND_NS
from mbsniff.plan.numbers import cyclic_reads
from mbsniff.plan.target import Target

# How far intervals of a master that was not recorded may differ from the period (common practice: the
# task of a controller comes round every 10 ms, and a read waits for it at both ends of an interval).
ASSUMED_SPREAD_NS = 20_000_000
RESERVE = 2  # times what nine intervals in ten keep to: the others lie beyond
_MS = SECOND_NS // 1000


def observed_spreads(found: Sequence[Target]) -> dict[str, int]:
    """By master: how far its intervals were seen to differ from their period, in nanoseconds, with a reserve.

    The median over its cyclic reads of what nine intervals in ten keep to, twice, in whole milliseconds and at
    least one: no clock is perfect, and a poll at exactly the limit exceeds it now and then.
    """
    seen: dict[str, list[int]] = {}
    for target in found:
        for poll in cyclic_reads(target):
            if poll.period:
                widest = max(poll.period.p95 - poll.period.median, poll.period.median - poll.period.p5)
                seen.setdefault(poll.master, []).append(widest)
    return {
        master: max(-(-RESERVE * sorted(widths)[len(widths) // 2] // _MS), 1) * _MS
        for master, widths in seen.items()
    }


def spreads(found: Sequence[Target], masters: Iterable[str]) -> dict[str, int]:
    """The same for all of these masters: assumed for those that nobody saw polling."""
    return dict.fromkeys(masters, ASSUMED_SPREAD_NS) | observed_spreads(found)
