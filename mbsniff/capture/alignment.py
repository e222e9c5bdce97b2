"""Series of captures in, what their recorders' clocks differ by out, told by packets that more than one saw."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.extent import every_frame
from mbsniff.capture.fingerprints import NONE, packets
from mbsniff.capture.frames import TIME_NS
from mbsniff.capture.reader import FileReader
from mbsniff.capture.series import Series
from mbsniff.capture.sightings import SAME_NS

LEAST_MATCHES = 5
_WINDOWS_NS = (20_000_000, 200_000_000, 2_000_000_000)
"""Differences within the first of these in which half of them lie are told of one clock; the rest of another moment."""
_MOST_PACKETS = 1 << 22  # of all series; of longer ones every second, fourth, eighth packet is compared
_MIXED_BITS = 40  # the upper bits of a packet's number are as good as random

Numbers = NDArray[np.int64]


@dataclass(frozen=True)
class Offset:
    """What must be added to one clock to agree with another."""

    offset_ns: int
    matches: int
    """Packets that both recorders saw."""
    agreeing: int
    """Those of them that lie near the offset."""
    spread_ns: int
    """Within which 9 in 10 of these agree."""


def offsets(series: list[Series], compiled: bool) -> dict[tuple[int, int], Offset]:
    """What to add to the clock of series ``b`` to agree with ``a``, for each (a, b) that saw the same packets."""
    parts = [_seen(one, compiled, max(_MOST_PACKETS // len(series), 1)) for one in series]
    thinnest = max(every for _, every in parts)
    seen = np.concatenate([_thinned(part, thinnest) for part, _ in parts])
    of = np.repeat(np.arange(len(series)), [len(_thinned(part, thinnest)) for part, _ in parts])
    order = np.argsort(seen[:, 0], kind="stable")
    seen, of = seen[order], of[order]
    pairs = np.flatnonzero((seen[1:, 0] == seen[:-1, 0]) & (of[1:] != of[:-1]))
    difference_ns = seen[pairs, 1] - seen[pairs + 1, 1]
    keys = of[pairs] * len(series) + of[pairs + 1]
    order = np.argsort(keys, kind="stable")
    different, begins = np.unique(keys[order], return_index=True)
    found = {}
    for key, own in zip(different.tolist(), np.split(order, begins[1:]), strict=len(different) > 0):
        if len(own) >= LEAST_MATCHES:
            found[divmod(key, len(series))] = estimate(difference_ns[own], seen[pairs[own], 2] != 0)
    return found


def estimate(difference_ns: Numbers, upward: NDArray[np.bool_]) -> Offset:
    """The offset that most differences agree on; the way between the recorders counts once in each direction."""
    order = np.argsort(difference_ns)
    sorted_ns, upward = difference_ns[order], upward[order]
    for window_ns in _WINDOWS_NS:
        counts = np.searchsorted(sorted_ns, sorted_ns + window_ns, "right") - np.arange(len(sorted_ns))
        begin = int(counts.argmax())
        agreeing = int(counts[begin])
        if 2 * agreeing >= len(sorted_ns):
            break
    near_ns, upward = sorted_ns[begin : begin + agreeing], upward[begin : begin + agreeing]
    ways = [part for part in (near_ns[upward], near_ns[~upward]) if len(part)]
    middles = [int(part[len(part) // 2]) for part in ways]
    offset_ns = sum(middles) // len(middles)
    rest = len(near_ns) // 20
    spread_ns = int(near_ns[-1 - rest] - near_ns[rest])
    return Offset(offset_ns, len(sorted_ns), agreeing, spread_ns)


def _seen(series: Series, compiled: bool, most: int) -> tuple[Numbers, int]:
    """(number, time, direction) of the TCP packets that a series shows at one moment only, of every so many."""
    parts: list[Numbers] = []
    count, every = 0, 1
    for reader in series.readers:
        for part in _packets(reader, compiled):
            parts.append(_thinned(part, every))
            count += len(parts[-1])
            if count > most:
                every *= 2
                parts = [_thinned(np.concatenate(parts), every)]
                count = len(parts[0])
    seen = np.concatenate([np.zeros((0, 3), np.int64), *parts])
    seen = seen[np.lexsort((seen[:, 1], seen[:, 0]))]
    _, first, counts = np.unique(seen[:, 0], return_index=True, return_counts=True)
    at_once = seen[first + counts - 1, 1] - seen[first, 1] <= SAME_NS
    return seen[first[at_once]], every


def _thinned(seen: Numbers, every: int) -> Numbers:
    return seen if every == 1 else seen[(seen[:, 0] >> _MIXED_BITS) & (every - 1) == 0]


def _packets(reader: FileReader, compiled: bool) -> Iterator[Numbers]:
    for data, rows in every_frame(reader, compiled):
        told = packets(data, rows)
        tcp = told.flow != NONE
        yield np.column_stack([told.number[tcp], rows[tcp, TIME_NS], told.upward[tcp]])
