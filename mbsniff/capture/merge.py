"""Readers of several files in, one stream of batches in time order out."""

from __future__ import annotations

import heapq
from collections.abc import Iterator

from mbsniff.capture import state as s
from mbsniff.capture.frames import TIME_NS, FrameBatch
from mbsniff.capture.reader import FileReader

_NEAR = 16  # rows


def merged(readers: list[FileReader], batch_rows: int, compiled: bool) -> Iterator[FrameBatch]:
    """Batches of all readers' frames, the earliest first, ties in the readers' order.

    Each reader has been peeked. Frames of one file keep their order even where their times go back. A
    reader takes its buffer only when its time has come and gives it back at its end, so files that do
    not overlap cost what a single one does.
    """
    waiting = [(r.next_ns, index) for index, r in enumerate(readers) if r.pending]
    heapq.heapify(waiting)
    begun: set[int] = set()
    while waiting:
        index = heapq.heappop(waiting)[1]
        reader = readers[index]
        if index not in begun:
            begun.add(index)
            reader.extend(batch_rows, compiled)
        turn_of_next = waiting[0] if waiting else None
        while reader.pending or reader.fill(compiled):
            if turn_of_next and (reader.next_ns, index) > turn_of_next:
                heapq.heappush(waiting, (reader.next_ns, index))
                break
            yield reader.take(run_end(reader, index, turn_of_next), index)


def run_end(reader: FileReader, index: int, turn_of_next: tuple[int, int] | None) -> int:
    """The pending row, not the first, at which another reader's turn comes; or where the rows end."""
    start, stop = reader.next_row + 1, reader.end_row
    if turn_of_next is None or (reader.at(s.LATEST_NS), index) < turn_of_next:
        return stop
    # A time of exactly this limit still is the reader's turn.
    limit_ns = turn_of_next[0] - (index > turn_of_next[1])
    near = min(start + _NEAR, stop)
    for row in range(start, near):  # runs are short where files interleave
        if reader.times_ns[row] > limit_ns:
            return row
    start, step = near, _NEAR
    while start < stop:  # look farther each time
        beyond = reader.rows[start : min(start + step, stop), TIME_NS] > limit_ns
        first = int(beyond.argmax())
        if beyond[first]:
            return start + first
        start, step = start + step, step * 4
    return stop
