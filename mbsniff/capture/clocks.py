"""Opened captures in, one time for all of them: series of other recorders are shifted to the first file's clock."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import SAME_NS, Sightings

if TYPE_CHECKING:  # loaded where there are several files
    from mbsniff.capture.alignment import Offset
    from mbsniff.capture.series import Series

_MOST_WITHIN_NS = 1_000_000_000

Basis = Literal["stated", "frames", "none"]


@dataclass(frozen=True)
class Clock:
    """What is known of the clock of files that were recorded beside others."""

    files: list[str]
    shift_ns: int
    """What was added to their times."""
    basis: Basis
    """Who says so: the user, frames that another recorder saw as well, or nobody."""
    matches: int
    """Packets that were compared with another recorder's."""
    agreeing: int
    """Those of them that agree on one offset."""
    spread_ns: int
    """Within which 9 in 10 of these agree."""
    still_off_ns: int
    """What the stated shift leaves, by frames that both saw."""


def set_clocks(
    readers: list[FileReader], first: FileReader, compiled: bool, sightings: Sightings
) -> list[Clock]:
    """Shift the readers' times, and have ``sightings`` know how near the clocks are; what was found.

    ``readers`` are in the order of their first frames; the clock of ``first`` is the one to go by. Empty, and nothing
    read, where all files follow one another.
    """
    from mbsniff.capture.alignment import offsets
    from mbsniff.capture.series import series_of

    series = series_of(readers, compiled)
    if len(series) < 2 and not any(one.is_stated for one in series):
        return []
    ways = offsets(series, compiled) if len(series) > 1 else {}
    sightings.within_ns = SAME_NS if len(series) > 1 else 0
    root = next((n for n, one in enumerate(series) if first in one.readers), 0)
    reached = _reached(ways, root, [one.is_stated for one in series])
    clocks = []
    for number, one in enumerate(series):
        for reader in one.readers:
            reader.rank = 0 if number == root else 1 + number
        if number in reached:
            shift_ns, way = reached[number]
            clocks.append(_shifted(one, shift_ns, way, sightings))
        else:
            was_stated = one.is_stated
            clocks.append(_clock(one, "stated" if was_stated else "none", None, 0))
    return clocks


def _reached(
    ways: dict[tuple[int, int], Offset], root: int, stated: list[bool]
) -> dict[int, tuple[int, Offset | None]]:
    """Shift of each series that a chain of common packets joins to the root, best joined first."""
    from_each: dict[int, list[tuple[int, Offset]]] = {}
    for (a, b), way in ways.items():
        from_each.setdefault(a, []).append((b, way))
        back = replace(way, offset_ns=-way.offset_ns)
        from_each.setdefault(b, []).append((a, back))
    reached: dict[int, tuple[int, Offset | None]] = {root: (0, None)}
    open_ways = [(-way.agreeing, root, b, way.offset_ns, way) for b, way in from_each.get(root, [])]
    heapq.heapify(open_ways)
    while open_ways:
        _, a, b, _, way = heapq.heappop(open_ways)
        if b not in reached:
            reached[b] = (0 if stated[b] else reached[a][0] + way.offset_ns), way
            for c, further in from_each[b]:
                heapq.heappush(open_ways, (-further.agreeing, b, c, further.offset_ns, further))
    return reached


def _shifted(series: Series, shift_ns: int, way: Offset | None, sightings: Sightings) -> Clock:
    if way is None:
        return _clock(series, "stated" if series.is_stated else "frames", None, 0)
    was_stated = series.is_stated
    still_off_ns = way.offset_ns if was_stated else 0
    within_ns = max(SAME_NS, 2 * (way.spread_ns + abs(still_off_ns)))
    sightings.within_ns = min(max(sightings.within_ns, within_ns), _MOST_WITHIN_NS)
    if not was_stated:
        for reader in series.readers:
            reader.shift(shift_ns)
    return _clock(series, "stated" if was_stated else "frames", way, still_off_ns)


def _clock(series: Series, basis: Basis, way: Offset | None, still_off_ns: int) -> Clock:
    return Clock(
        files=[reader.source.path for reader in series.readers],
        shift_ns=series.readers[0].shift_ns,
        basis=basis,
        matches=way.matches if way else 0,
        agreeing=way.agreeing if way else 0,
        spread_ns=way.spread_ns if way else 0,
        still_off_ns=still_off_ns,
    )
