"""Readers whose files overlap in time in, their frames in one order out, many at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, POSITION, TIME_NS, FrameBatch
from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import Sightings

_NEVER = (1 << 63) - 1

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
        self._data: NDArray[np.uint8] = np.empty(0, np.uint8)

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

    def parts(self, live: list[int], limit: Turn | None) -> list[tuple[int, int]]:
        """Which pending rows come before all that any reader still has to read: (reader, row behind the last).

        All of ``live`` have pending rows. Empty where all of these are at or behind ``limit``.
        """
        horizon = min((int(self._turns_ns[index][-1]), index) for index in live)
        horizon = min(horizon, limit) if limit is not None else horizon
        found = []
        for index in live:
            is_before = index < horizon[1] or (index == horizon[1] and horizon != limit)
            stop = int(self._turns_ns[index].searchsorted(horizon[0], "right" if is_before else "left"))
            if stop > self._readers[index].next_row:
                found.append((index, stop))
        return found

    def woven(self, parts: list[tuple[int, int]]) -> Iterator[FrameBatch]:
        """The frames of these rows, in order."""
        rows, places, turns_ns = self._gather(parts)
        order = np.argsort(turns_ns, kind="stable")
        rows, places = rows[order], places[order]
        rows, places = self._sightings.folded(self._data, rows, places)
        for at in range(0, len(rows), self._batch_rows):
            part = slice(at, at + self._batch_rows)
            file, number = places[at].tolist()
            yield FrameBatch(self._data, rows[part], file, number, places[part])

    def _gather(
        self, taken: list[tuple[int, int]]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Rows, places and turns of each reader's part, one after the other; the bytes go to one buffer."""
        parts = [(index, self._readers[index].take(stop, index)) for index, stop in taken]
        spans = [
            (int(b.rows[0, POSITION]), int(b.rows[-1, POSITION] + b.rows[-1, CAPTURED])) for _, b in parts
        ]
        size = sum(end - start for start, end in spans)
        if len(self._data) < size:
            self._data = np.empty(2 * size, np.uint8)
        rows, places, turns = [], [], []
        at = 0
        for (index, batch), (start, end) in zip(parts, spans, strict=True):
            self._data[at : at + end - start] = batch.data[start:end]
            moved = batch.rows.copy()
            moved[:, POSITION] += at - start
            at += end - start
            numbers = np.arange(batch.first_frame, batch.first_frame + len(moved))
            rows.append(moved)
            places.append(np.column_stack([np.full(len(moved), index), numbers]))
            stop = self._readers[index].next_row
            turns.append(self._turns_ns[index][stop - len(moved) : stop])
        return np.concatenate(rows), np.concatenate(places), np.concatenate(turns)
