"""Buffers that one reader has done with, for the next: fresh memory costs more than what is read into it."""

from __future__ import annotations

import mmap

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import FRAME_COLUMNS


class Spares:
    """At most one buffer of bytes and one of rows, kept for whoever asks next."""

    def __init__(self) -> None:
        self._data: NDArray[np.uint8] = np.empty(0, np.uint8)
        self._rows: NDArray[np.int64] = np.empty((0, FRAME_COLUMNS), np.int64)

    def data(self, size_bytes: int) -> NDArray[np.uint8]:
        """A page-aligned buffer of at least so many bytes."""
        if len(self._data) >= size_bytes:
            found, self._data = self._data, np.empty(0, np.uint8)
            return found
        return np.frombuffer(mmap.mmap(-1, size_bytes), np.uint8)

    def rows(self, count: int) -> NDArray[np.int64]:
        """An array of ``count`` rows."""
        if len(self._rows) == count:
            found, self._rows = self._rows, np.empty((0, FRAME_COLUMNS), np.int64)
            return found
        return np.empty((count, FRAME_COLUMNS), np.int64)

    def give_data(self, data: NDArray[np.uint8]) -> None:
        """Take a buffer back; nobody may use it any more."""
        if len(data) > len(self._data):
            self._data = data

    def give_rows(self, rows: NDArray[np.int64]) -> None:
        """The same for rows."""
        if len(rows) > len(self._rows):
            self._rows = rows
