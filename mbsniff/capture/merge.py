"""Readers of several files in, one stream of batches in time order out."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from mbsniff.capture.frames import TIME_NS, FrameBatch
from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import Sightings
from mbsniff.capture.weave import Turn, Weave

_NEAR = 16  # rows
_MOST_OPEN = 32  # files at once, where many overlap
_OVERLAP_BYTES = 96 << 20  # read ahead at once, over all files that overlap
_LEAST_BLOCK_BYTES = 1 << 16
_ALONE_BYTES = 3 << 19  # a file by itself: what was read is looked at while it is still near the core


class Merge:
    """All readers' frames, the earliest first, ties in the readers' order.

    ``readers``, each peeked, are in the order of their first frames. Frames of one file keep their order even where
    its times go back. A reader takes its buffer only when its time has come and gives it back at its end, so files
    that do not overlap cost what a single one does.
    """

    def __init__(
        self,
        readers: list[FileReader],
        batch_rows: int,
        compiled: bool,
        wake: Callable[[FileReader], FileReader],
        sightings: Sightings,
    ) -> None:
        self._readers = readers
        self._batch_rows = batch_rows
        self._compiled = compiled
        self._wake = wake
        self._waiting = [index for index, reader in enumerate(readers) if reader.pending or reader.rests][
            ::-1
        ]
        self._live: list[int] = []
        self._done_bytes = 0
        self._sightings = sightings
        self._weave = Weave(readers, sightings, batch_rows)
        self._ended_ns = 0  # the latest time of the files that were woven and have ended

    @property
    def consumed_bytes(self) -> int:
        """Stored bytes read so far, of all files that were begun."""
        return self._done_bytes + sum(self._readers[index].source.consumed_bytes for index in self._live)

    def batches(self) -> Iterator[FrameBatch]:
        """The frames, each batch valid until the next one is asked for."""
        while self._live or self._waiting or self._weave.holds:
            if len(self._live) > 1 or self._weave.holds:
                yield from self._overlapping()
            elif self._live:
                yield from self._alone(self._live[0])
            else:
                self._begin_next()

    @property
    def _turn_of_next(self) -> Turn | None:
        """When the next file begins, and with it sightings of what others show a moment before."""
        if not self._waiting:
            return None
        first_ns = self._readers[self._waiting[-1]].first_ns or 0
        return first_ns - self._sightings.within_ns, self._waiting[-1]

    def _begin_next(self) -> None:
        index = self._waiting.pop()
        reader = self._readers[index]
        if reader.rests:
            reader = self._readers[index] = self._wake(reader)
        self._live.append(index)
        self._live.sort()
        share = max(_OVERLAP_BYTES // len(self._live), _LEAST_BLOCK_BYTES)
        reader.block_bytes = min(reader.block_bytes, share)
        reader.extend(self._batch_rows, self._compiled)
        if reader.pending and len(self._live) > 1:
            for other in self._live:
                self._weave.join(other)

    def _end(self, index: int) -> None:
        self._done_bytes += self._readers[index].source.consumed_bytes
        self._live.remove(index)
        self._weave.forget(index)
        self._ended_ns = max(self._ended_ns, self._readers[index].latest_ns)

    def _alone(self, index: int) -> Iterator[FrameBatch]:
        """A reader's frames as they lie, until it ends or the next file begins."""
        reader, turn_of_next = self._readers[index], self._turn_of_next
        self._weave.forget(index)
        whole_bytes = reader.block_bytes
        reader.block_bytes = min(whole_bytes, _ALONE_BYTES)
        while reader.pending or reader.fill(self._compiled):
            if turn_of_next and (reader.next_ns, index) > turn_of_next:
                reader.block_bytes = whole_bytes
                self._begin_next()
                return
            yield reader.take(run_end(reader, index, turn_of_next), index)
        self._end(index)

    def _overlapping(self) -> Iterator[FrameBatch]:
        """Frames of all live readers, up to where the first of them must read on, or the next file begins."""
        for index in list(self._live):
            reader = self._readers[index]
            if reader.pending:
                continue
            found = reader.fill(self._compiled)
            if len(self._live) > _MOST_OPEN:
                reader.source.park()
            if found:
                self._weave.refill(index)
            else:
                self._end(index)
        if not self._live:
            yield from self._weave.woven([])
            return
        parts = self._weave.parts(self._live, self._turn_of_next)
        if not parts and self._waiting:
            self._begin_next()
            return
        yield from self._weave.woven(parts, self._settled_ns())

    def _settled_ns(self) -> int | None:
        """Up to when no further sighting of what was read can come; None where that is all.

        What comes at the horizon itself may still repeat what lies just so far back.
        """
        within_ns = self._sightings.within_ns
        horizon_ns = self._weave.horizon(self._live, self._turn_of_next)[0]
        if not within_ns or (len(self._live) == 1 and horizon_ns > self._ended_ns + within_ns):
            return None
        return horizon_ns - within_ns - 1


def run_end(reader: FileReader, index: int, turn_of_next: Turn | None) -> int:
    """The pending row, not the first, at which another reader's turn comes; or where the rows end."""
    start, stop = reader.next_row + 1, reader.end_row
    if turn_of_next is None or (reader.latest_ns, index) < turn_of_next:
        return stop
    # A time of exactly this limit still is the reader's turn.
    limit_ns = turn_of_next[0] - (index > turn_of_next[1])
    near = min(start + _NEAR, stop)
    for row in range(start, near):  # files that follow one another overlap by a few frames at most
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
