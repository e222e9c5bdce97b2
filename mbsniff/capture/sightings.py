"""Frames of several recorders in time order in, each packet once out: what a second file shows again is dropped."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, ORIGINAL, TIME_NS

SAME_NS = 10_000_000
"""Sightings of one packet by two recorders lie within this, and what their clocks still differ by."""
SEEN_IN = (
    2  # column of places: the file whose sighting it is; before it, file and number of the frame given out
)
PLACE_COLUMNS = 3
_MOST_RECENT = 1 << 14  # however many frames bear one time

Numbers = NDArray[np.int64]
# A sighting's columns; row -1: it was settled before. Its group is that of the sighting which began it.
_NUMBER, _TIME, _FILE, _DROPPED, _ROW, _GROUP, _GROUP_TIME = range(7)
_COLUMNS = 7


class Sightings:
    """Knows what each file has shown within the last moment, and drops what another one shows as well.

    The sighting of the file with the lowest rank is kept, so that times are those of one place as far as they can be;
    where that one was cut short and another one less, with the bytes of the other.
    """

    def __init__(self) -> None:
        self.within_ns = 0
        """How near sightings of one packet lie; 0: nothing is dropped, since there is one recorder."""
        self.ranks: list[int] = []
        """By file: the lower, the rather its sighting is kept."""
        self.dropped = 0
        """Frames dropped so far."""
        self.mixed_ns: dict[int, int] = {}
        """For how long each file's frames lay among those of others."""
        self._recent: Numbers = np.zeros((0, _COLUMNS), np.int64)
        self._settled = 0

    def note_mixed(self, files: list[int], extent_ns: int) -> None:
        """Add to the time for which files' frames lay among each other's."""
        for file in files:
            self.mixed_ns[file] = self.mixed_ns.get(file, 0) + extent_ns

    def folded(
        self, data: NDArray[np.uint8], rows: Numbers, places: Numbers, turns_ns: Numbers, settled: int
    ) -> tuple[Numbers, Numbers]:
        """The first ``settled`` rows and places without repeated sightings; all may be changed.

        ``turns_ns`` ascend: a frame's time, or where its file's times go back the latest one before. They tell how
        near sightings lie: by times, it would matter in which pieces the frames come. The rows behind the settled ones
        lie so near that they may yet be repeated; they come again with the next call.
        """
        from mbsniff.capture.fingerprints import NONE, packets  # loaded where files overlap

        fresh = np.zeros((len(rows), _COLUMNS), np.int64)
        fresh[:, _NUMBER] = packets(data, rows).number
        fresh[:, _TIME], fresh[:, _FILE] = turns_ns, places[:, SEEN_IN]
        fresh[:, _ROW] = np.arange(len(rows))
        fresh[:, _GROUP], fresh[:, _GROUP_TIME] = fresh[:, _ROW] + self._settled, turns_ns
        known = np.concatenate([self._recent, fresh])
        self._match(known, rows, places, settled)
        known = known[: len(known) - len(rows) + settled]
        kept = known[len(known) - settled :, _DROPPED] == 0
        self.dropped += int(settled - kept.sum())
        self._settled += settled
        recent = known[:, _TIME] >= known[:, _TIME].max(initial=0) - 2 * self.within_ns
        self._recent = known[recent & (known[:, _NUMBER] != NONE)][-_MOST_RECENT:]
        self._recent[:, _ROW] = -1
        return rows[:settled][kept], places[:settled][kept]

    def _match(self, known: Numbers, rows: Numbers, places: Numbers, settled: int) -> None:
        """Mark the sightings that repeat another one."""
        from mbsniff.capture.fingerprints import NONE

        order = np.lexsort((known[:, _TIME], known[:, _NUMBER]))
        order = order[known[order, _NUMBER] != NONE]
        begins = np.flatnonzero(np.diff(known[order, _NUMBER], prepend=NONE))
        sizes = np.diff(begins, append=len(order))
        pairs = begins[sizes == 2]
        first, second = order[pairs], order[pairs + 1]
        same = known[second, _TIME] - known[first, _GROUP_TIME] <= self.within_ns
        same &= (known[first, _FILE] != known[second, _FILE]) & (known[second, _ROW] >= 0)
        same &= known[first, _DROPPED] == 0
        first, second = first[same], second[same]
        known[second, _GROUP:] = known[first, _GROUP:]
        ranks = np.array(self.ranks)
        swapped = (known[first, _ROW] >= 0) & (ranks[known[first, _FILE]] > ranks[known[second, _FILE]])
        kept, dropped = np.where(swapped, second, first), np.where(swapped, first, second)
        known[dropped, _DROPPED] = 1
        one, other = known[kept, _ROW], known[dropped, _ROW]
        longer = (
            (one >= 0) & (np.minimum(one, other) < settled) & (_missing(rows, other) < _missing(rows, one))
        )
        _exchange(rows, places, one[longer], other[longer])
        for begin, size in zip(begins[sizes > 2].tolist(), sizes[sizes > 2].tolist(), strict=True):
            for group in self._groups(known, order[begin : begin + size].tolist()):
                self._keep_one(known, rows, places, group, settled)

    def _groups(self, known: Numbers, sightings: list[int]) -> list[list[int]]:
        """Sightings of one packet that was sent more than once: at most one of each file goes to a group.

        Each goes to the first that it may, in the order of their times; those settled before stay where they were.
        """
        settled = [one for one in sightings if known[one, _ROW] < 0]
        began = sorted({(int(known[one, _GROUP]), int(known[one, _GROUP_TIME])) for one in settled})
        groups: list[tuple[int, int, list[int], set[int]]] = [(*group, [], set()) for group in began]
        index = {group: at for at, (group, _) in enumerate(began)}
        nexts: dict[int, int] = {}  # by file: the first group that it may still go to
        for one in sightings:
            time_ns, file = int(known[one, _TIME]), int(known[one, _FILE])
            at = nexts.get(file, 0) if known[one, _ROW] >= 0 else index[int(known[one, _GROUP])]
            if known[one, _ROW] >= 0:
                while at < len(groups) and (
                    file in groups[at][3] or time_ns - groups[at][1] > self.within_ns
                ):
                    at += 1
            if at == len(groups):
                groups.append((int(known[one, _GROUP]), time_ns, [], set()))
            known[one, _GROUP:] = groups[at][:2]
            groups[at][2].append(one)
            groups[at][3].add(file)
            nexts[file] = at + 1
        return [own for _, _, own, _ in groups]

    def _keep_one(
        self, known: Numbers, rows: Numbers, places: Numbers, group: list[int], settled: int
    ) -> None:
        """Of a group, drop all but one; where one was given out before, all others."""
        undecided = [one for one in group if known[one, _ROW] >= 0]
        if not undecided:
            return
        if any(known[one, _ROW] < 0 and not known[one, _DROPPED] for one in group):
            known[undecided, _DROPPED] = 1
            return
        undecided.sort(key=lambda one: self.ranks[known[one, _FILE]])
        known[undecided[1:], _DROPPED] = 1
        own = known[undecided, _ROW]
        missing = _missing(rows, own)
        best = own[missing.argmin()].reshape(1)
        if min(own[0], best[0]) < settled and missing.min() < missing[0]:
            _exchange(rows, places, own[:1], best)


def _missing(rows: Numbers, of: Numbers) -> Numbers:
    """Bytes that the recorder left away."""
    missing: Numbers = rows[of, ORIGINAL] - rows[of, CAPTURED]
    return missing


def _exchange(rows: Numbers, places: Numbers, kept: Numbers, dropped: Numbers) -> None:
    """Give the kept rows the frames of the dropped ones, but not their times, nor the file that they were seen in."""
    times_ns = rows[kept, TIME_NS]
    rows[kept], places[kept, :SEEN_IN] = rows[dropped], places[dropped, :SEEN_IN]
    rows[kept, TIME_NS] = times_ns
