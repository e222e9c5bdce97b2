"""An exchange in, its network events as plain dictionaries out: names for kinds, texts for addresses."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from mbsniff.exchange import Exchange
from mbsniff.exchange import columns as c
from mbsniff.exchange.network import network_table
from mbsniff.wire.network.rows import FIRST_KIND, NETWORK_NAMES
from mbsniff.wire.reader import MessageReader
from tests.builders.recorder import Record
from tests.builders.rows import batch_of

Event = dict[str, Any]
NOTHING: Event = {
    "mac": None, "address": None, "target": None, "target_mac": None, "hops": None, "amount": None,
}  # fmt: skip


def mac_text(number: int) -> str | None:
    """A hardware address, as six bytes in hexadecimal."""
    return None if number < 0 else number.to_bytes(6, "big").hex(":")


def events_of(network: np.ndarray[Any, np.dtype[np.int64]], hosts: list[str]) -> list[Event]:
    """Rows of the network table, without what is -1 there being more than None."""
    found = []
    for row in network.tolist():
        host = {
            column: hosts[row[column]] if row[column] >= 0 else None for column in (c.N_ADDRESS, c.N_TARGET)
        }
        found.append({
            "kind": NETWORK_NAMES[row[c.N_KIND] - FIRST_KIND], "time_ns": row[c.N_TIME_NS], "frame": row[c.N_FRAME],
            "mac": mac_text(row[c.N_MAC]), "address": host[c.N_ADDRESS], "target": host[c.N_TARGET],
            "target_mac": mac_text(row[c.N_TARGET_MAC]), "hops": _none(row[c.N_HOPS]),
            "amount": _none(row[c.N_AMOUNT]), "connection": _none(row[c.N_CONNECTION]),
        })  # fmt: skip
    return found


def of_exchange(exchange: Exchange) -> list[Event]:
    """All events of an exchange."""
    return events_of(exchange.network, exchange.hosts)


def network_of(
    records: Sequence[Record], links: Iterable[int] | None = None, *, compiled: bool = False
) -> tuple[list[Event], MessageReader]:
    """The network events of Ethernet frames, or of the link types in ``links``, read in one batch."""
    reader = MessageReader(compiled=compiled)
    for _ in reader.feed(batch_of(records, links), 0):
        pass
    return events_of(*network_table(reader.network.rows)), reader


def short(event: Event) -> Event:
    """An event without when and where it was seen, and without what it does not have."""
    left_out = ("time_ns", "frame", "connection")
    return {key: value for key, value in event.items() if key not in left_out and value is not None}


def _none(number: int) -> int | None:
    return None if number < 0 else number
