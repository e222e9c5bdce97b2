"""Readers whose files overlap in time in, their frames in one order out, many at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, FRAME_COLUMNS, POSITION, TIME_NS, FrameBatch
from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import PLACE_COLUMNS, SEEN_IN, Sightings

_MOST_HELD = 1 << 15  # frames, where times do not move on

Turn = tuple[int, int]
"""A time, and the index of the file that has it: of equal times the earlier file's comes first."""


class Weave:
    """Takes from several readers what lies before all that they have not read yet.

    A frame's turn is at the latest time that its file had up to it: so a file keeps its order even where its
    times go back, and the order is that of always taking the earliest of all next frames.
    """

    def __init__(self, readers: list[FileReader], sightings: Sightings, batch_rows: int) -> None:
        self._readers = readers
        self._sightings = sightings
        self._batch_rows = batch_rows
        self._turns_ns: dict[int, NDArray[np.int64]] = {}  # of all rows that a reader has, ascending
        # Frames at hand: bytes, of which so many are used, rows, places, turns.
        self._data: NDArray[np.uint8] = np.empty(0, np.uint8)
        self._size = 0
        self._rows: NDArray[np.int64] = np.zeros((0, FRAME_COLUMNS), np.int64)
        self._places: NDArray[np.int64] = np.zeros((0, PLACE_COLUMNS), np.int64)
        self._turns: NDArray[np.int64] = np.zeros(0, np.int64)

    def join(self, index: int) -> None:
        """Have a reader, with the rows that it has, woven from now on, if it is not yet."""
        if index not in self._turns_ns:
            reader = self._readers[index]
            self._turns_ns[index] = np.maximum.accumulate(reader.rows[: reader.end_row, TIME_NS])

    def refill(self, index: int) -> None:
        """Note that a woven reader has got further rows in place of those before."""
        latest_ns = self._turns_ns.pop(index)[-1]
        self.join(index)
        np.maximum(self._turns_ns[index], latest_ns, out=self._turns_ns[index])

    def forget(self, index: int) -> None:
        """A reader is not woven any more."""
        self._turns_ns.pop(index, None)

    def horizon(self, live: list[int], limit: Turn | None) -> Turn:
        """Before which nothing can come any more than what the ``live`` readers, and those to come, have pending."""
        horizon = min((int(self._turns_ns[index][-1]), index) for index in live)
        return min(horizon, limit) if limit is not None else horizon

    def parts(self, live: list[int], limit: Turn | None) -> list[tuple[int, int]]:
        """Which pending rows come before all that any reader still has to read: (reader, row behind the last).

        All of ``live`` have pending rows. Empty where all of these are at or behind ``limit``.
        """
        horizon = self.horizon(live, limit)
        found = []
        for index in live:
            is_before = index < horizon[1] or (index == horizon[1] and horizon != limit)
            stop = int(self._turns_ns[index].searchsorted(horizon[0], "right" if is_before else "left"))
            if stop > self._readers[index].next_row:
                found.append((index, stop))
        return found

    def woven(self, parts: list[tuple[int, int]], settled_ns: int | None = None) -> Iterator[FrameBatch]:
        """The frames of these rows, in order; but what lies behind ``settled_ns`` is held for the next call."""
        self._gather(parts)
        if len(parts) > 1 and len(self._turns):
            files = [index for index, _ in parts]
            self._sightings.note_mixed(files, int(self._turns.max() - self._turns.min()))
        order = np.lexsort((self._places[:, 1], self._places[:, 0], self._turns))
        rows, places, turns_ns = self._rows[order], self._places[order], self._turns[order]
        settled = len(rows) if settled_ns is None else int(turns_ns.searchsorted(settled_ns, "right"))
        if len(rows) - settled > _MOST_HELD:
            settled = len(rows)
        self._rows, self._places, self._turns = rows[settled:], places[settled:], turns_ns[settled:]
        if self._sightings.within_ns:
            rows, places = self._sightings.folded(self._data, rows, places, turns_ns, settled)
        else:
            rows, places = rows[:settled], places[:settled]
        held = self._held_bytes()
        places = places[:, :SEEN_IN].copy()
        for at in range(0, len(rows), self._batch_rows):
            part = slice(at, at + self._batch_rows)
            file, number = places[at].tolist()
            yield FrameBatch(self._data, rows[part], file, number, places[part])
        self._put(held)

    @property
    def holds(self) -> bool:
        """Whether frames are held back that were taken from their readers."""
        return len(self._rows) > 0

    def _held_bytes(self) -> list[bytes]:
        ends = self._rows[:, POSITION] + self._rows[:, CAPTURED]
        spans = zip(self._rows[:, POSITION].tolist(), ends.tolist(), strict=True)
        return [self._data[start:end].tobytes() for start, end in spans]

    def _put(self, held: list[bytes]) -> None:
        """Have the held frames' bytes at the buffer's beginning."""
        self._size = 0
        self._reserve(sum(map(len, held)))
        self._rows = self._rows.copy()
        for row, frame in zip(self._rows, held, strict=True):
            row[POSITION] = self._size
            self._data[self._size : self._size + len(frame)] = np.frombuffer(frame, np.uint8)
            self._size += len(frame)

    def _reserve(self, more_bytes: int) -> None:
        if self._size + more_bytes > len(self._data):
            grown = np.empty(2 * (self._size + more_bytes), np.uint8)
            grown[: self._size] = self._data[: self._size]
            self._data = grown

    def _gather(self, parts: list[tuple[int, int]]) -> None:
        """Put each reader's part behind what is held: bytes, rows, places and turns."""
        rows, places, turns = [self._rows], [self._places], [self._turns]
        for index, stop in parts:
            batch = self._readers[index].take(stop, index)
            start, end = (
                int(batch.rows[0, POSITION]),
                int(batch.rows[-1, POSITION] + batch.rows[-1, CAPTURED]),
            )
            self._reserve(end - start)
            self._data[self._size : self._size + end - start] = batch.data[start:end]
            moved = batch.rows.copy()
            moved[:, POSITION] += self._size - start
            self._size += end - start
            numbers = np.arange(batch.first_frame, batch.first_frame + len(moved))
            rows.append(moved)
            places.append(np.column_stack([np.full(len(moved), index), numbers, np.full(len(moved), index)]))
            turns.append(self._turns_ns[index][stop - len(moved) : stop])
        self._rows, self._places, self._turns = map(np.concatenate, (rows, places, turns))
