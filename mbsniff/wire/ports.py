"""The first frames of a recording in, the server ports at which Modbus is spoken out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import FrameBatch
from mbsniff.capture.frames import CAPTURED, POSITION
from mbsniff.wire import signature as g
from mbsniff.wire.reader import MODBUS_PORT
from mbsniff.wire.unwrap import Unwrapper

MOST_FRAMES = 100_000  # looked at
MOST_BYTES = 32 << 20  # of frames, which are kept meanwhile
AT_LEAST = 4  # exchanges
FITS_PER_MISFIT = 2  # messages go on in further segments now and then, which then fit nothing

_WORDS = ("TCP", "TCP, serial framing", "UDP", "UDP, serial framing")


@dataclass(frozen=True)
class FoundPort:
    """A server port, and the exchanges that speak for it by the way they went: "TCP", "UDP, serial framing", …"""

    port: int
    exchanges: dict[str, int]


@dataclass(frozen=True)
class PortSearch:
    """What the first look gave."""

    frames: int
    """Looked at."""
    found: tuple[FoundPort, ...]
    refused: bool
    """Whether port 502, which is read as a rule, carries something else."""
    ports: tuple[int, ...]
    """All that are read, the stated ones included."""


class PortFinder:
    """Looks at frames, and keeps the batches, so that they can be read afterwards."""

    def __init__(self, *, compiled: bool) -> None:
        self._compiled = compiled
        self._unwrapper = Unwrapper(compiled=compiled)
        self._flows = np.full((g.FLOWS, g.FLOW_COLUMNS), -1, np.int64)
        self._tallies = np.zeros((1 << 16, g.TALLY_COLUMNS), np.int64)
        self._frames = 0
        self._bytes = 0
        self.kept: list[FrameBatch] = []
        """The batches looked at, with data of their own."""

    @property
    def wants_more(self) -> bool:
        """Whether it has not yet looked at as much as it may."""
        return self._frames < MOST_FRAMES and self._bytes < MOST_BYTES

    def take(self, batch: FrameBatch) -> None:
        """Look at a batch, as far as MOST_FRAMES and MOST_BYTES allow, and keep all of it."""
        kept = _copy(batch)
        self.kept.append(kept)
        sizes = self._bytes + np.cumsum(kept.rows[:, CAPTURED])
        count = min(MOST_FRAMES - self._frames, int(np.searchsorted(sizes, MOST_BYTES)) + 1, len(sizes))
        self._frames += count
        self._bytes = int(sizes[count - 1])
        data, rows, first = kept.data, kept.rows[:count], 0
        while first < len(rows):
            first = g.look_for_modbus(data, rows, first, self._flows, self._tallies, compiled=self._compiled)
            if first < len(rows):  # once a batch: what it reveals hides nothing any more
                data, rows = self._unwrapper.reveal(data, rows, first)

    def result(self, stated: Collection[int]) -> PortSearch:
        """The ports found; those ``stated``, else 502 where nothing speaks against it, go with them."""
        found = tuple(self._found(port) for port in self._candidates())
        ports = {each.port for each in found} | set(stated)
        fits, misfits = self._tallies[MODBUS_PORT, [g.T_FITS, g.T_MISFITS]].tolist()
        refused = MODBUS_PORT not in ports and misfits >= AT_LEAST and misfits > fits
        if not stated and not refused:
            ports.add(MODBUS_PORT)
        return PortSearch(self._frames, found, refused, tuple(sorted(ports)))

    def _candidates(self) -> list[int]:
        met = np.unique(np.flatnonzero(self._tallies) // g.TALLY_COLUMNS)  # few of all that there may be
        tallies = self._tallies[met]
        exchanges = tallies[:, : len(_WORDS)].sum(axis=1)
        fits, misfits = tallies[:, g.T_FITS], tallies[:, g.T_MISFITS]
        places: NDArray[np.int64] = met[(exchanges >= AT_LEAST) & (fits >= FITS_PER_MISFIT * misfits)]
        return [int(port) for port in places if port]

    def _found(self, port: int) -> FoundPort:
        counts = self._tallies[port, : len(_WORDS)].tolist()
        return FoundPort(port, {word: n for word, n in zip(_WORDS, counts, strict=True) if n})


def _copy(batch: FrameBatch) -> FrameBatch:
    """The batch with the frames' own stretch of the data, which the reader then may use again."""
    rows = batch.rows.copy()
    low = int(rows[:, POSITION].min())
    high = int((rows[:, POSITION] + rows[:, CAPTURED]).max())
    rows[:, POSITION] -= low
    places = None if batch.places is None else batch.places.copy()
    return FrameBatch(batch.data[low:high].copy(), rows, batch.file, batch.first_frame, places)
