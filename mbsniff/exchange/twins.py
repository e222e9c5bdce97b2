"""Where both sides of every TCP connection stand in, connections that may be one and the same out, and their requests.

An address translation leaves TCP's sequence numbers alone (RFC 3022, 2.2 and 4.1), and both sides' are drawn at random
(RFC 9293, 3.4.1): connections that stand at the same two numbers at the same moment are one conversation seen twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import ORPHAN, STATUS_MASK
from mbsniff.wire.rows import (
    ACCEPTED,
    AMOUNT,
    CONNECTION,
    END_SEQUENCE,
    FRAME,
    IDENTIFIER,
    KIND,
    OPENING,
    REPLY,
    REQUEST,
    ROW_COLUMNS,
    SEQUENCE,
)

NEAR_BYTES = 1 << 14  # what may be under way between the two places at which a conversation is seen
MOST_KNOWN = 1 << 12  # connections that a new one is held against, the latest
MOST_TWINS = 4  # of one connection, and so the most translations on its way
KEPT_ROWS = 64  # between a message and its twin there are fewer
_ROUND = 1 << 32

Longs = NDArray[np.int64]
Reach = Longs
"""Shape (connections, 2): sequence numbers of the client's and the server's next byte, -1 where unknown."""


@dataclass(frozen=True)
class Requests:
    """A connection's requests since it may have a twin; arrays have shape (requests,)."""

    connection: int
    transactions: Longs
    marks: Longs
    """TCP sequence number after the last byte << 16 | transaction identifier."""
    orphans: Longs
    """Transactions that are its replies without a request."""
    whole: bool
    """Whether these are all that the connection ever had."""


class Twins:
    """Holds every connection, once both of its sides are known, against those known before; notes what both carry."""

    def __init__(self) -> None:
        self._waiting = np.zeros(0, np.int64)
        self.pairs: set[tuple[int, int]] = set()
        """Connections that may be one conversation: (known later, known earlier)."""
        self._noted: dict[int, list[tuple[Longs, Longs, Longs]]] = {}
        self._whole: dict[int, bool] = {}
        self._born: list[int] = []  # how many transactions there were before each connection
        self._tail = np.zeros((0, ROW_COLUMNS), np.int64)  # the last rows, in case a twin of one comes next
        self._tail_ends = 0  # how many transactions there were behind them

    def take(
        self, rows: Longs, reach: Reach, status: NDArray[np.uint8], frames: NDArray[np.uint32], begun: int,
        count: int, *, had_events: bool,
    ) -> None:  # fmt: skip
        """Look at message rows that were taken, and at where each connection stands behind them.

        They began the transactions from ``begun`` to ``count``, of which ``status`` and ``frames`` are columns.
        ``had_events``: whether link events were among them.
        """
        first = len(self._born)
        self._born += [begun] * (len(reach) - first)
        if had_events or first < len(reach) or len(self._waiting):
            found = self._look(np.arange(first, len(reach)), reach, rows)
            self._suspect(found, status, frames)
        if self._noted:
            portion = _Portion(rows, status[begun:count] & STATUS_MASK == ORPHAN, frames[begun:count], begun)
            for connection in np.intersect1d(rows[:, CONNECTION], list(self._noted)).tolist():
                self._noted[connection].append(portion.of(connection))
        tail = rows[-KEPT_ROWS:].copy()
        self._tail = np.concatenate([self._tail, tail])[-KEPT_ROWS:] if len(tail) < KEPT_ROWS else tail
        self._tail_ends = count

    def _look(self, fresh: Longs, reach: Reach, rows: Longs) -> list[tuple[int, int]]:
        """Twins of ``fresh`` connections, of those not known on both sides before, and of those begun anew."""
        if len(fresh) or len(self._waiting):
            fresh = np.concatenate([self._waiting, fresh])
        known = (reach[fresh] >= 0).all(axis=1)
        self._waiting = fresh[~known][-MOST_KNOWN:]
        if len(reach) < 2:  # nobody to be the twin
            return []
        begun = _handshakes(rows)
        fresh = np.union1d(fresh[known], begun[:, 0]) if len(begun) else fresh[known]
        if not len(fresh):
            return []
        first = max(len(reach) - MOST_KNOWN, 0)
        others = np.arange(first, len(reach))
        if fresh[0] < first:
            others = np.union1d(others, fresh)
        others = others[(reach[others] >= 0).all(axis=1)]
        stands = np.concatenate([np.column_stack([others, reach[others]]), begun])
        return _near_pairs(fresh, stands) if len(stands) > 1 else []

    def _suspect(
        self, pairs: list[tuple[int, int]], status: NDArray[np.uint8], frames: NDArray[np.uint32]
    ) -> None:
        """Note what connections carry from now on, and in the last rows before these."""
        self.pairs.update(pairs)
        fresh = sorted({c for pair in pairs for c in pair} - self._noted.keys())
        if not fresh:
            return
        before = self._before(status, frames)
        for connection in fresh:
            self._noted[connection] = [before.of(connection)]
            self._whole[connection] = self._born[connection] >= before.begun

    def _before(self, status: NDArray[np.uint8], frames: NDArray[np.uint32]) -> _Portion:
        """The last rows, with the transactions that they began."""
        asked, first = int(np.count_nonzero(self._tail[:, KIND] == REQUEST)), self._tail_ends
        while asked and first:  # back to the transaction that the first of these requests began
            first -= 1
            asked -= int(status[first]) & STATUS_MASK != ORPHAN
        own = slice(first, self._tail_ends)
        return _Portion(self._tail, status[own] & STATUS_MASK == ORPHAN, frames[own], first)

    def requests(self, connection: int) -> Requests:
        """What was noted of a connection."""
        transactions, marks, orphans = (
            np.concatenate([part[k] for part in self._noted[connection]]) for k in range(3)
        )
        return Requests(connection, transactions, marks, orphans, self._whole[connection])


@dataclass(frozen=True)
class _Portion:
    """Message rows, and of each transaction that they began whether it is a reply without a request, and its frame."""

    rows: Longs
    is_orphan: NDArray[np.bool_]
    frames: NDArray[np.uint32]
    begun: int

    def of(self, connection: int) -> tuple[Longs, Longs, Longs]:
        """One connection's requests (transactions, marks), and its replies without one: all others are requests."""
        requests = self.rows[self.rows[:, KIND] == REQUEST]
        own = requests[:, CONNECTION] == connection
        transactions = self.begun + np.flatnonzero(~self.is_orphan)[own]
        marks = requests[own, END_SEQUENCE] << 16 | requests[own, IDENTIFIER] & 0xFFFF
        came = self.rows[(self.rows[:, KIND] == REPLY) & (self.rows[:, CONNECTION] == connection), FRAME]
        orphans = np.flatnonzero(self.is_orphan)
        return transactions, marks, self.begun + orphans[np.isin(self.frames[orphans], came)]


def _handshakes(rows: Longs) -> Longs:
    """Connection, and the numbers that client and server begin with, of each handshake; shape (handshakes, 3)."""
    opened = rows[rows[:, KIND] >= OPENING]  # rare events, of which these two matter
    kinds = opened[:, KIND]
    opened = opened[((kinds == OPENING) | (kinds == ACCEPTED)) & (opened[:, AMOUNT] == 0)]
    if len(opened) < 2:
        return np.empty((0, 3), np.int64)
    opened = opened[np.argsort(opened[:, CONNECTION], kind="stable")]
    one, two = opened[:-1], opened[1:]
    both = (one[:, CONNECTION] == two[:, CONNECTION]) & (one[:, KIND] == OPENING) & (two[:, KIND] == ACCEPTED)
    one, two = one[both], two[both]
    begins = np.column_stack([one[:, CONNECTION], one[:, SEQUENCE] + 1, two[:, SEQUENCE] + 1])
    begins[:, 1:] %= _ROUND
    return begins


def _near_pairs(fresh: Longs, stands: Longs) -> list[tuple[int, int]]:
    """Connections that stood at about the same numbers, one of them in ``fresh``: (later, earlier) connection.

    ``fresh`` ascends.

    ``stands``: connection, client's and server's number, shape (…, 3); one connection may be there several times.
    """
    turns = np.repeat((-_ROUND, 0, _ROUND), len(stands))  # sequence numbers go round
    keys, places = np.tile(stands[:, 1], 3) + turns, np.tile(np.arange(len(stands)), 3)
    order = np.argsort(keys, kind="stable")
    keys, places = keys[order], places[order]
    own = np.flatnonzero(fresh[np.searchsorted(fresh[:-1], stands[:, 0])] == stands[:, 0])
    lows = np.searchsorted(keys, stands[own, 1] - NEAR_BYTES)
    highs = np.searchsorted(keys, stands[own, 1] + NEAR_BYTES, side="right")
    crowded = highs - lows > 1  # itself is always there
    found = []
    for one, low, high in zip(
        own[crowded].tolist(), lows[crowded].tolist(), highs[crowded].tolist(), strict=True
    ):
        near = stands[places[low : min(high, low + MOST_KNOWN)]]
        apart = (near[:, 2] - stands[one, 2]) % _ROUND
        near = near[np.minimum(apart, _ROUND - apart) <= NEAR_BYTES]
        connection = int(stands[one, 0])
        twins = {other for other in near[:, 0].tolist() if other != connection}
        if len(twins) <= MOST_TWINS:  # else they are made up, and not worth a look
            found += [(max(connection, other), min(connection, other)) for other in twins]
    return found
