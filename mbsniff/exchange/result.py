"""The exchange stage's result: transactions, polls, connections and link events of one recording."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import (
    NETWORK_COLUMNS,
    NO_ADDRESS,
    P_READ,
    P_WHO,
    P_WRITE,
    STATUS_MASK,
)


class Pair(NamedTuple):
    """Who talks to whom: a master's address and an endpoint."""

    client: str
    server: str
    port: int

    @property
    def endpoint(self) -> str:
        """Server and port in words."""
        return f"[{self.server}]:{self.port}" if ":" in self.server else f"{self.server}:{self.port}"


@dataclass(frozen=True)
class Translation:
    """Conversations that were recorded on both sides of an address translation, and are counted once."""

    outer: Pair
    """As their masters' side shows them."""
    inner: Pair
    """As their devices' side does."""
    connections: int
    requests: int
    """Seen on both sides."""

    @property
    def counted_as(self) -> Pair:
        """The master's own address, and the device's."""
        return Pair(self.outer.client, self.inner.server, self.inner.port)


@dataclass(frozen=True)
class PollKey:
    """What a poll asks: addresses are NO_ADDRESS where the function has none."""

    pair: int
    unit: int
    function: int
    start: int
    quantity: int
    write_start: int
    write_quantity: int


@dataclass(frozen=True)
class Exchange:
    """All that was exchanged. Transaction columns have shape (transactions,), by endpoint, unit and time."""

    request_ns: NDArray[np.int64]
    """When the request was complete."""
    reply_ns: NDArray[np.int64]
    """Nanoseconds to the reply, at least 0; where none came, to the last sight of its bytes; -1: orphan."""
    ack_ns: NDArray[np.int32]
    """Nanoseconds to a bare TCP acknowledgement before the reply (2**31 - 1: or longer); -1 if none."""
    poll: NDArray[np.int32]
    """Row of ``polls``."""
    status: NDArray[np.uint8]
    """Status and marks (`mbsniff.exchange.columns`)."""
    exception: NDArray[np.uint8]
    """Exception code of the reply that answers it (NO_CODE where it has none), else 0."""
    request_frame: NDArray[np.uint32]
    """Ordinal in the recording, from 0, of the frame that completed the request."""
    reply_frame: NDArray[np.uint32]
    """The same of the reply; the request's where none came."""
    value: NDArray[np.int32]
    """Value written (5, 6), row of ``value_table`` (15, 16, 21, 22, 23), -1 if none."""
    polls: NDArray[np.int64]
    """Shape (polls, POLL_COLUMNS)."""
    events: NDArray[np.int64]
    """Shape (events, EVENT_COLUMNS), in the order of each connection."""
    value_table: NDArray[np.int64]
    """Shape (entries, 2): offset and length in ``value_bytes``."""
    value_bytes: NDArray[np.uint8]
    pairs: list[Pair]
    connection_pair: NDArray[np.int32]
    """Row of ``pairs`` of every connection."""
    connection_port: NDArray[np.int32]
    """The client's port of every connection."""
    connection_serial: NDArray[np.int64]
    """Messages of every connection that came in serial framing (unit, PDU, CRC-16), without an MBAP header."""
    connection_udp: NDArray[np.bool_]
    """Whether a connection is UDP datagrams between the same two ends; such ones have no link events."""
    translations: list[Translation] = field(default_factory=list)
    """What was seen on both sides of an address translation, and stands here once."""
    network: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, NETWORK_COLUMNS), np.int64))
    """Shape (events, NETWORK_COLUMNS): what frames beside Modbus say, by time, then frame; mirror copies dropped.

    Kinds: `mbsniff.wire.network.rows`. N_AMOUNT by kind: LOOKUP_ASKED 1 where only one host was asked, 0 where all
    were; echoes identifier << 16 | sequence number; HOST_ERROR type << 8 | code; LEASE_ASKED, _DECLINED and _RELEASED
    the message's type; LEASE_OFFERED and _GIVEN seconds; TREE_NEWS type << 8 | flags; TREE_HELLO role << 32 |
    port << 16 | root's priority; ORIGIN the TCP flags. Of floods only some rows are here
    (`Counters.network_events_left_out`).
    """
    hosts: list[str] = field(default_factory=list)
    """Texts of the addresses in ``network``, by version and address."""
    broadcasts: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 3), np.int64))
    """Shape (seconds, 3), by time: beginning of a second (ns), frames to groups of hosts (broadcast, multicast) in it,
    copies included, and who sent most of them (hardware address, -1 unknown). Only seconds that have any."""

    @property
    def kinds(self) -> NDArray[np.uint8]:
        """The statuses without marks."""
        return self.status & np.uint8(STATUS_MASK)

    def poll_key(self, row: int) -> PollKey:
        """What the poll at ``row`` asks."""
        return _poll_key(*self.polls[row, [P_WHO, P_READ, P_WRITE]].tolist())

    def poll_keys(self) -> list[PollKey]:
        """What each poll asks."""
        return [_poll_key(*row) for row in self.polls[:, [P_WHO, P_READ, P_WRITE]].tolist()]


def _poll_key(who: int, read: int, write: int) -> PollKey:
    return PollKey(
        pair=who >> 16,
        unit=who >> 8 & 0xFF,
        function=who & 0xFF,
        start=(read >> 17) - 2,
        quantity=(read & 0x1FFFF) - 1,
        write_start=(write >> 17) - 2 if write else NO_ADDRESS,
        write_quantity=(write & 0x1FFFF) - 1 if write else NO_ADDRESS,
    )
