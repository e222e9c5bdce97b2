"""FrameBatches in, message rows out: drives the wire loop and grows what it works on."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import FrameBatch
from mbsniff.wire import state as s
from mbsniff.wire.connections import (
    KEY_COLUMNS,
    RECENT,
    client_of,
    hash_keys,
    is_udp,
    refill_slots,
    seeded_multipliers,
    server_of,
)
from mbsniff.wire.loop import MOST_ROWS, MOST_VALUES, frames_to_rows, settle_connection
from mbsniff.wire.network.reader import NetworkReader
from mbsniff.wire.rows import ROW_COLUMNS
from mbsniff.wire.unwrap import Unwrapper
from mbsniff.wire.unwrap.layers import SECURED_NAME

_ROWS = MOST_ROWS + 16384  # and a batch's usual fill
_VALUES = MOST_VALUES + (1 << 18)
_CONNECTIONS = 256
_PARTS = 64
_HELD = 4 * s.SEGMENT_HELD
_ASIDE = 4096  # frames of a usual batch


@dataclass(frozen=True)
class Counters:
    """What the wire loop counted, in frames where no other unit is named."""

    messages: int
    modbus_frames: int
    undecodable_frames: int
    fragments: int
    unknown_link: int
    repeated_frames: int
    unrecorded_bytes: int
    skipped_bytes: int
    network_events_left_out: int = 0
    """Network events of floods that were counted only (`mbsniff.wire.network.seen`)."""
    datagrams: int = 0
    """UDP datagrams of a server port; they are among ``modbus_frames``."""
    seen_through: dict[str, int] = field(default_factory=dict)
    """Frames by the layer that they were found below (`mbsniff.wire.unwrap.layers`)."""
    not_seen_through: dict[str, int] = field(default_factory=dict)
    """Frames by what keeps them from being read: encryption above all."""


MODBUS_PORT = 502  # Messaging on TCP/IP V1.0b, 4.3.1.3; IANA: mbap


class MessageReader:
    """Turns frames into message rows (`mbsniff.wire.rows`); carries all state from batch to batch."""

    def __init__(self, *, ports: Collection[int] = (MODBUS_PORT,), compiled: bool) -> None:
        self._compiled = compiled
        self._ports = np.zeros(1 << 16, np.uint8)
        self._ports[list(ports)] = 1
        self._multipliers = seeded_multipliers()
        self._keys = np.zeros((_CONNECTIONS, KEY_COLUMNS), np.int64)
        self._recent = np.zeros(RECENT, np.int64)
        self._slots = np.zeros(4 * _CONNECTIONS, np.int64)
        self._state = np.full((_CONNECTIONS, s.STATE_COLUMNS), -1, np.int64)
        self._parts = np.empty(_PARTS * s.PART_BYTES, np.uint8)
        self._free_parts = np.arange(_PARTS, dtype=np.int64)[::-1].copy()
        self._held = np.zeros((0, s.HELD_COLUMNS), np.int64)
        self._held_data = np.zeros(0, np.uint8)
        # Used again for every batch: what is read of them was written before, so they need not be zeros.
        self._rows = np.empty((_ROWS, ROW_COLUMNS), np.int64)
        self._values = np.empty(_VALUES, np.uint8)
        self._unwrapper = Unwrapper(compiled=compiled)
        self._aside = np.zeros(_ASIDE, np.int64)
        self.network = NetworkReader(compiled=compiled)
        self._carry = np.zeros(s.CARRY_COLUMNS, np.int64)
        self._carry[s.C_FREE_PARTS] = _PARTS
        self._carry[s.C_FREE_HELD] = -1
        self._grow_held(_HELD)

    def feed(self, batch: FrameBatch, ordinal: int) -> Iterator[tuple[NDArray[np.int64], NDArray[np.uint8]]]:
        """Yield (rows, value pool) until the batch is read; each pair is valid until the next one.

        ``ordinal`` is the place of the batch's first frame in the recording, from 0.
        """
        self._carry[s.C_FRAME] = 0
        self._carry[s.C_ORDINAL] = ordinal
        self._carry[s.C_ASIDE] = 0
        if len(self._aside) < len(batch.rows):
            self._aside = np.zeros(len(batch.rows), np.int64)
        data, frames = batch.data, batch.rows
        while True:
            reason = frames_to_rows(
                data, frames, self._ports, self._multipliers, self._keys, self._recent,
                self._slots, self._state, self._parts, self._free_parts, self._held, self._held_data,
                self._rows, self._values, self._aside, self._carry, compiled=self._compiled,
            )  # fmt: skip
            if reason == s.DONE:
                self.network.take(data, frames, self._aside[: self._carry[s.C_ASIDE]], ordinal)
            if reason in (s.DONE, s.ROOM):
                yield self._take_rows()
            if reason == s.DONE:
                return
            if reason == s.HIDDEN_FRAME:  # once a batch at most: it reveals all that follow
                data, frames = self._unwrapper.reveal(data, frames, int(self._carry[s.C_FRAME]))
            self._make_room(reason)

    def finish(self, now_ns: int) -> Iterator[tuple[NDArray[np.int64], NDArray[np.uint8]]]:
        """Yield what segments still held back give, by connection; ``now_ns`` ends the recording."""
        for c in np.flatnonzero(self._state[: self.connections, s.HELD] >= 0).tolist():
            reason = s.ROOM
            while reason == s.ROOM:
                reason = settle_connection(
                    c, now_ns, self._state, self._held, self._held_data, self._parts, self._free_parts,
                    self._rows, self._values, self._carry, compiled=False,
                )  # fmt: skip
                yield self._take_rows()

    @property
    def connections(self) -> int:
        """How many TCP connections (pairs of addresses and ports) were seen."""
        return int(self._carry[s.C_CONNECTIONS])

    def client(self, connection: int) -> tuple[str, int]:
        """(address, port) of a connection's client."""
        return client_of(self._keys[connection])

    def server(self, connection: int) -> tuple[str, int]:
        """(address, port) of a connection's server."""
        return server_of(self._keys[connection])

    def is_udp(self, connection: int) -> bool:
        """Whether a "connection" is UDP datagrams between the same two ends."""
        return is_udp(self._keys[connection])

    @property
    def serial_messages(self) -> NDArray[np.int64]:
        """Messages in serial framing of each connection, shape (connections,)."""
        return self._state[: self.connections, s.SERIAL].copy()

    @property
    def reach(self) -> NDArray[np.int64]:
        """Sequence numbers of the client's and the server's next byte, -1 where unknown; shape (connections, 2)."""
        return self._state[: self.connections, s.NEXT :: s.SIDE_COLUMNS][:, :2]

    @property
    def counters(self) -> Counters:
        """The counts so far."""
        carry = self._carry.tolist()
        fragments = self._unwrapper.fragments_left
        not_seen_through = self._unwrapper.not_seen_through
        if carry[s.C_SECURED]:
            not_seen_through[SECURED_NAME] = carry[s.C_SECURED]
        return Counters(
            messages=carry[s.C_MESSAGES],
            modbus_frames=carry[s.C_FRAMES_MODBUS],
            undecodable_frames=carry[s.C_UNDECODABLE] + fragments + carry[s.C_UNKNOWN_LINK],
            fragments=fragments,
            unknown_link=carry[s.C_UNKNOWN_LINK],
            repeated_frames=carry[s.C_REPEATED] + self._unwrapper.copies,
            unrecorded_bytes=carry[s.C_UNRECORDED],
            skipped_bytes=carry[s.C_SKIPPED],
            network_events_left_out=self.network.left_out,
            datagrams=carry[s.C_DATAGRAMS],
            seen_through=self._unwrapper.seen_through,
            not_seen_through=not_seen_through,
        )

    def _take_rows(self) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        rows = self._rows[: self._carry[s.C_ROWS]]
        values = self._values
        self._carry[s.C_ROWS] = 0
        self._carry[s.C_VALUES] = 0
        return rows, values

    def _make_room(self, reason: int) -> None:
        if reason == s.GROW_CONNECTIONS:
            self._grow_connections()
        elif reason == s.GROW_PARTS:
            self._grow_parts()
        elif reason == s.GROW_HELD:
            self._grow_held(len(self._held))

    def _grow_connections(self) -> None:
        """Double the tables where they are full, and seed the hash anew either way."""
        known = self.connections
        if known + 1 >= len(self._state) // 2:
            more = len(self._state)
            self._keys = np.concatenate([self._keys, np.zeros_like(self._keys)])
            self._state = np.concatenate([self._state, np.full((more, s.STATE_COLUMNS), -1, np.int64)])
        size = 4 * len(self._state)
        slots = None
        while slots is None:
            self._multipliers = seeded_multipliers()
            slots = refill_slots(hash_keys(self._keys[:known], self._multipliers), size)
        self._slots = slots

    def _grow_parts(self) -> None:
        more = len(self._free_parts)
        free = int(self._carry[s.C_FREE_PARTS])
        fresh = np.arange(more, 2 * more, dtype=np.int64)
        self._free_parts = np.concatenate([self._free_parts[:free], fresh, np.zeros(more - free, np.int64)])
        self._parts = np.concatenate([self._parts, np.zeros_like(self._parts)])
        self._carry[s.C_FREE_PARTS] = free + more

    def _grow_held(self, more: int) -> None:
        first = len(self._held)
        fresh = np.zeros((more, s.HELD_COLUMNS), np.int64)
        fresh[:, s.H_NEXT] = np.arange(first + 1, first + more + 1)
        fresh[-1, s.H_NEXT] = self._carry[s.C_FREE_HELD]
        self._held = np.concatenate([self._held, fresh])
        held_data = np.empty((first + more) * s.HELD_BYTES, np.uint8)
        held_data[: len(self._held_data)] = self._held_data
        self._held_data = held_data
        self._carry[s.C_FREE_HELD] = first
        self._carry[s.C_HELD_LEFT] += more
