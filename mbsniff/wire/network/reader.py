"""Frames set aside in, all network events and seconds of broadcasts out: drives the network loop."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import is_ready
from mbsniff.wire.network import broadcasts as b
from mbsniff.wire.network import seen, tree, walk
from mbsniff.wire.network.rows import KINDS, NETWORK_COLUMNS

Columns = NDArray[np.int64]

SOON_COMPILED = 200_000  # frames set aside after which compiling the loop is worth its time
_MOST_PIECES = 4096  # seconds of broadcasts, the same ones many times where times go to and fro


class NetworkReader:
    """Collects network events (`mbsniff.wire.network.rows`); carries all state from batch to batch."""

    def __init__(self, *, compiled: bool) -> None:
        self._compiled = compiled
        self._walked = 0
        self._senders = np.full((tree.TREE_SENDERS, tree.TREE_COLUMNS), -1, np.int64)
        self._copies = np.full((seen.COPY_ROWS, seen.COPY_COLUMNS), -1, np.int64)
        self._alike = np.full((seen.ALIKE_ROWS, seen.ALIKE_COLUMNS), -1, np.int64)
        self._credit = np.full((KINDS, seen.CREDIT_COLUMNS), [seen.CREDIT_NS, -1], np.int64)
        self._now = np.array([-1, 0, -1, 0], np.int64)
        self._registers = np.zeros(walk.REGISTERS, np.int64)
        self._seconds = np.zeros((0, b.BROADCAST_COLUMNS), np.int64)
        self._out = np.zeros((0, NETWORK_COLUMNS), np.int64)
        self._rows: list[Columns] = []
        self._pieces: list[Columns] = []

    def take(self, data: NDArray[np.uint8], frames: Columns, aside: Columns, ordinal: int) -> None:
        """Go through a batch's frames that were set aside; ``ordinal`` is that of the batch's first frame."""
        count = len(aside)
        if not count:
            return
        if len(self._seconds) <= count:
            self._seconds = np.zeros((count + 1, b.BROADCAST_COLUMNS), np.int64)
            self._out = np.zeros((2 * count + 1, NETWORK_COLUMNS), np.int64)
        self._walked += count
        filled = walk.note_network(
            data, frames, aside, count, ordinal, self._senders, self._copies, self._alike, self._credit,
            self._now, self._seconds, self._out, self._registers,
            compiled=self._compiled and (self._walked > SOON_COMPILED or is_ready("note_network")),
        )  # fmt: skip
        if filled:
            self._rows.append(self._out[:filled].copy())
        if closed := int(self._registers[walk.G_SECONDS]):
            self._pieces.append(self._seconds[:closed].copy())
            if len(self._pieces) >= _MOST_PIECES:
                self._pieces = [self._by_second()]

    @property
    def rows(self) -> Columns:
        """All events, shape (events, NETWORK_COLUMNS), in the order recorded."""
        return np.concatenate([np.zeros((0, NETWORK_COLUMNS), np.int64), *self._rows])

    @property
    def broadcasts(self) -> Columns:
        """Shape (seconds, 3), by time: beginning of a second (ns), frames to groups in it, who sent most of them.

        Only seconds with such frames. The sender's hardware address is -1 where the recording has none.
        """
        if self._now[b.B_FRAMES]:
            return self._by_second(self._now[np.newaxis])[:, : b.B_LEAD]
        return self._by_second()[:, : b.B_LEAD]

    @property
    def left_out(self) -> int:
        """Events that were counted only, so far."""
        return int(self._registers[walk.G_LEFT_OUT])

    def _by_second(self, *last: Columns) -> Columns:
        """The pieces, one row a second: where times go to and fro, the sender of the piece with the greatest lead."""
        pieces = np.concatenate([np.zeros((0, b.BROADCAST_COLUMNS), np.int64), *self._pieces, *last])
        if len(pieces) < 2:
            return pieces
        seconds, places = np.unique(pieces[:, b.B_SECOND_NS], return_inverse=True)
        order = np.lexsort((-pieces[:, b.B_LEAD], places))
        firsts = order[np.searchsorted(places[order], np.arange(len(seconds)))]
        merged = pieces[firsts].reshape(-1, b.BROADCAST_COLUMNS)
        merged[:, b.B_FRAMES] = np.bincount(places, pieces[:, b.B_FRAMES], len(seconds)).astype(np.int64)
        return merged
