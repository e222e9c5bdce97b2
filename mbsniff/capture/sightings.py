"""Frames of several recorders in time order in, each packet once out: what a second file shows again is dropped."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.fingerprints import NONE, packets
from mbsniff.capture.frames import CAPTURED, TIME_NS

SAME_NS = 10_000_000
"""Sightings of one packet by two recorders lie within this, and what their clocks still differ by."""

_MOST_RECENT = 1 << 14  # however many frames bear one time
Numbers = NDArray[np.int64]
_NUMBER, _TIME, _FILE, _DROPPED, _ROW = range(5)  # a sighting's columns; row -1: it was given out before


class Sightings:
    """Knows what each file has shown within the last moment, and drops what another one showed already.

    The sighting of which more was recorded is the one that is kept, with the time of the first.
    """

    def __init__(self) -> None:
        self.within_ns = SAME_NS
        self.dropped = 0
        """Frames dropped so far."""
        self.mixed_ns: dict[int, int] = {}
        """For how long each file's frames lay among those of others."""
        self._recent: Numbers = np.zeros((0, 5), np.int64)

    def folded(self, data: NDArray[np.uint8], rows: Numbers, places: Numbers) -> tuple[Numbers, Numbers]:
        """Rows and places without repeated sightings; both may be changed."""
        files = np.unique(places[:, 0]).tolist()
        if len(files) > 1:
            extent_ns = int(rows[:, TIME_NS].max() - rows[:, TIME_NS].min())
            for file in files:
                self.mixed_ns[file] = self.mixed_ns.get(file, 0) + extent_ns
        fresh = np.zeros((len(rows), 5), np.int64)
        fresh[:, _NUMBER] = packets(data, rows).number
        fresh[:, _TIME], fresh[:, _FILE] = rows[:, TIME_NS], places[:, 0]
        fresh[:, _ROW] = np.arange(len(rows))
        known = np.concatenate([self._recent, fresh])
        self._match(known, rows, places)
        recent = known[:, _TIME] >= known[:, _TIME].max(initial=0) - 2 * self.within_ns
        self._recent = known[recent & (known[:, _NUMBER] != NONE)][-_MOST_RECENT:]
        self._recent[:, _ROW] = -1
        kept = known[len(known) - len(rows) :, _DROPPED] == 0
        self.dropped += int(len(rows) - kept.sum())
        return rows[kept], places[kept]

    def _match(self, known: Numbers, rows: Numbers, places: Numbers) -> None:
        """Mark the sightings that repeat another one."""
        order = np.lexsort((known[:, _TIME], known[:, _NUMBER]))
        order = order[known[order, _NUMBER] != NONE]
        begins = np.flatnonzero(np.diff(known[order, _NUMBER], prepend=NONE))
        sizes = np.diff(begins, append=len(order))
        pairs = begins[sizes == 2]
        first, second = order[pairs], order[pairs + 1]
        same = known[second, _TIME] - known[first, _TIME] <= self.within_ns
        same &= (known[first, _FILE] != known[second, _FILE]) & (known[second, _ROW] >= 0)
        known[second[same], _DROPPED] = 1
        one, other = known[first[same], _ROW], known[second[same], _ROW]
        longer = (one >= 0) & (rows[other, CAPTURED] > rows[one, CAPTURED])
        _exchange(rows, places, one[longer], other[longer])
        for begin, size in zip(begins[sizes > 2].tolist(), sizes[sizes > 2].tolist(), strict=True):
            self._match_many(known, rows, places, order[begin : begin + size].tolist())

    def _match_many(self, known: Numbers, rows: Numbers, places: Numbers, group: list[int]) -> None:
        """The same where a packet was sighted oftener: each sighting stands for one of every other file."""
        shown: list[tuple[int, set[int]]] = []
        for one in group:
            time_ns, file = int(known[one, _TIME]), int(known[one, _FILE])
            if known[one, _ROW] < 0 and not known[one, _DROPPED]:
                shown.append((one, {file}))
                continue
            for kept, files in shown:
                if file not in files and time_ns - known[kept, _TIME] <= self.within_ns:
                    files.add(file)
                    known[one, _DROPPED] = 1
                    kept_row, row = int(known[kept, _ROW]), int(known[one, _ROW])
                    if min(kept_row, row) >= 0 and rows[row, CAPTURED] > rows[kept_row, CAPTURED]:
                        _exchange(rows, places, np.array([kept_row]), np.array([row]))
                    break
            else:
                if known[one, _ROW] >= 0:
                    shown.append((one, {file}))


def _exchange(rows: Numbers, places: Numbers, kept: Numbers, dropped: Numbers) -> None:
    """Give the kept rows the frames of the dropped ones, but not their times."""
    times_ns = rows[kept, TIME_NS]
    rows[kept], places[kept] = rows[dropped], places[dropped]
    rows[kept, TIME_NS] = times_ns
