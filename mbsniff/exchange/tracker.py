"""Message rows in, an `Exchange` out: drives the exchange loop and grows what it fills."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import outstanding as o
from mbsniff.exchange.changes import mark_changes
from mbsniff.exchange.columns import (
    BROADCAST,
    EVENT_COLUMNS,
    MISADDRESSED,
    ORPHAN,
    P_ANSWERED,
    P_WHO,
    POLL_COLUMNS,
    RESENT,
    STATUS_MASK,
)
from mbsniff.exchange.matching import match_rows, settle_outstanding
from mbsniff.exchange.network import network_table
from mbsniff.exchange.polls import LIMBS, poll_hashes
from mbsniff.exchange.result import Exchange, Pair
from mbsniff.exchange.sorting import sort_columns
from mbsniff.exchange.translation import Draft, fold, of_kept_connections
from mbsniff.exchange.twins import Twins
from mbsniff.wire.connections import refill_slots, seeded_multipliers
from mbsniff.wire.reader import MessageReader
from mbsniff.wire.rows import NO_IDENTIFIER

_COLUMNS = (
    ("request_ns", np.int64), ("reply_ns", np.int64), ("ack_ns", np.int32), ("poll", np.int32),
    ("status", np.uint8), ("exception", np.uint8), ("request_frame", np.uint32),
    ("reply_frame", np.uint32), ("value", np.int32),
)  # fmt: skip
_FIRST_ROWS = 1 << 12


class Tracker:
    """Collects transactions from message rows; carries all state from call to call."""

    def __init__(self, messages: MessageReader, *, compiled: bool, expected: int = 0) -> None:
        """``expected`` transactions find room at once; more make the columns grow."""
        self._messages = messages
        self._compiled = compiled
        self._columns: dict[str, NDArray[Any]] = {
            name: np.empty(max(_FIRST_ROWS, expected), dtype) for name, dtype in _COLUMNS
        }
        self._links = np.full((256, o.CONNECTION_COLUMNS), -1, np.int64)
        self._waiting = np.zeros((0, o.OUTSTANDING_COLUMNS), np.int64)
        self._polls = np.zeros((256, POLL_COLUMNS), np.int64)
        self._slots = np.zeros(1024, np.int64)
        self._multipliers = seeded_multipliers()
        self._value_table = np.zeros((256, 2), np.int64)
        self._value_bytes = np.zeros(1 << 12, np.uint8)
        self._events = np.zeros((256, EVENT_COLUMNS), np.int64)
        self._carry = np.zeros(o.T_COLUMNS, np.int64)
        self._carry[o.T_FREE] = -1
        self._pairs: dict[Pair, int] = {}
        self._twins = Twins()
        self._linked = 0
        self._grow_outstanding()

    def take(self, rows: NDArray[np.int64], values: NDArray[np.uint8]) -> None:
        """Go through message rows and the value pool that goes with them."""
        self._link_new_connections()
        begun, events = int(self._carry[o.T_TRANSACTIONS]), int(self._carry[o.T_EVENTS])
        self._match(rows, values)
        self._twins.take(
            rows, self._messages.reach, self._columns["status"], self._columns["request_frame"], begun,
            int(self._carry[o.T_TRANSACTIONS]), had_events=events < int(self._carry[o.T_EVENTS]),
        )  # fmt: skip

    def _match(self, rows: NDArray[np.int64], values: NDArray[np.uint8]) -> None:
        self._carry[o.T_ROW] = 0
        grow = {
            o.GROW_TRANSACTIONS: self._grow_transactions,
            o.GROW_POLLS: self._grow_polls,
            o.GROW_EVENTS: self._grow_events,
            o.GROW_OUTSTANDING: self._grow_outstanding,
            o.GROW_VALUES: self._grow_values,
        }
        while True:
            reason = match_rows(
                rows, values, self._links, self._waiting, self._polls, self._slots, self._multipliers,
                self._value_table, self._value_bytes, self._events, *self._columns.values(), self._carry,
                compiled=self._compiled,
            )  # fmt: skip
            if reason == o.DONE:
                return
            grow[reason]()

    def finish(self, end_ns: int) -> Exchange:
        """Settle what is outstanding when the recording ends at ``end_ns``; the whole exchange."""
        columns = self._columns
        settle_outstanding(
            self._linked, end_ns, self._links, self._waiting, columns["reply_ns"], columns["status"],
            self._carry, compiled=False,
        )  # fmt: skip
        count = int(self._carry[o.T_TRANSACTIONS])
        for name, column in columns.items():
            columns[name] = column[:count]
        draft = Draft(
            columns=columns,
            polls=self._polls[: self._carry[o.T_POLLS]],
            events=self._events[: self._carry[o.T_EVENTS]],
            pairs=list(self._pairs),
            connection_pair=self._links[: self._linked, o.X_PAIR].astype(np.int32),
            connection_port=self._client_ports(),
        )
        translations = fold(draft, self._twins)
        polls = draft.polls
        self._mark_broadcasts(polls, draft.pairs)
        sort_columns(columns, polls, draft.pairs, compiled=self._compiled)
        mark_changes(
            columns["poll"], columns["value"], columns["status"], polls, self._value_table, self._value_bytes,
            compiled=self._compiled,
        )  # fmt: skip
        network, hosts = network_table(self._messages.network.rows)
        network = of_kept_connections(network, draft)
        return Exchange(
            **columns,
            polls=polls,
            events=draft.events,
            value_table=self._value_table[: self._carry[o.T_VALUES]],
            value_bytes=self._value_bytes[: self._carry[o.T_VALUE_BYTES]],
            pairs=draft.pairs,
            connection_pair=draft.connection_pair,
            connection_port=draft.connection_port,
            translations=translations,
            network=network,
            hosts=hosts,
            broadcasts=self._messages.network.broadcasts,
            connection_serial=self._messages.serial_messages[draft.kept],
            connection_udp=np.array([self._messages.is_udp(c) for c in range(self._linked)], np.bool_)[
                draft.kept
            ],
        )

    def _client_ports(self) -> NDArray[np.int32]:
        ports = [self._messages.client(c)[1] for c in range(self._linked)]
        return np.array(ports, np.int32)

    def _mark_broadcasts(self, polls: NDArray[np.int64], pairs: list[Pair]) -> None:
        """Requests to unit 0 of an endpoint are broadcasts if none ever got a reply, misaddressed or not."""
        to_zero = (polls[:, P_WHO] >> 8 & 0xFF) == 0
        if not to_zero.any():
            return
        endpoints = [(pairs[who >> 16].server, pairs[who >> 16].port) for who in polls[:, P_WHO].tolist()]
        status, poll = self._columns["status"], self._columns["poll"]
        kinds = status & STATUS_MASK
        replied = to_zero & (polls[:, P_ANSWERED] > 0)
        replied[poll[kinds == MISADDRESSED]] = True
        replying = {endpoints[p] for p in np.flatnonzero(to_zero & replied).tolist()}
        silent = np.array([e not in replying for e in endpoints], bool) & to_zero
        chosen = silent[poll] & (kinds != ORPHAN)
        status[chosen] = (status[chosen] & (0xF0 & ~RESENT)) | BROADCAST

    def _link_new_connections(self) -> None:
        known = self._messages.connections
        while len(self._links) < known:
            self._links = np.concatenate([self._links, np.full_like(self._links, -1)])
        for c in range(self._linked, known):
            pair = Pair(self._messages.client(c)[0], *self._messages.server(c))
            self._links[c, o.X_PAIR] = self._pairs.setdefault(pair, len(self._pairs))
            self._links[c, o.X_COUNT] = 0
            self._links[c, o.X_IDENTIFIER] = NO_IDENTIFIER
        self._linked = known

    def _grow_transactions(self) -> None:
        """Double the columns, one after the other: what is not yet filled takes no memory but addresses."""
        for name, column in self._columns.items():
            larger = np.empty(2 * len(column), column.dtype)
            larger[: len(column)] = column
            self._columns[name] = larger

    def _grow_polls(self) -> None:
        """Double the table where it is half full, and seed the hash anew either way."""
        known = int(self._carry[o.T_POLLS])
        if known >= len(self._polls):
            self._polls = np.concatenate([self._polls, np.zeros_like(self._polls)])
        slots = None
        while slots is None:
            self._multipliers = seeded_multipliers()
            hashes = poll_hashes(self._polls[:known], self._multipliers[:LIMBS])
            slots = refill_slots(hashes, 4 * len(self._polls))
        self._slots = slots

    def _grow_events(self) -> None:
        more = np.zeros((max(256, len(self._events) // 2), EVENT_COLUMNS), np.int64)
        self._events = np.concatenate([self._events, more])

    def _grow_outstanding(self) -> None:
        first = len(self._waiting)
        more = max(256, first)
        fresh = np.zeros((more, o.OUTSTANDING_COLUMNS), np.int64)
        fresh[:, o.O_NEXT] = np.arange(first + 1, first + more + 1)
        fresh[-1, o.O_NEXT] = self._carry[o.T_FREE]
        self._waiting = np.concatenate([self._waiting, fresh])
        self._carry[o.T_FREE] = first
        self._carry[o.T_FREE_LEFT] += more

    def _grow_values(self) -> None:
        self._value_table = np.concatenate([self._value_table, np.zeros_like(self._value_table)])
        self._value_bytes = np.concatenate([self._value_bytes, np.zeros_like(self._value_bytes)])
