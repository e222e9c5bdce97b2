"""A case's network events in, those of one host out: look-ups, echoes, leases, origins of segments."""

from __future__ import annotations

import functools
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange
from mbsniff.exchange.columns import N_ADDRESS, N_HOPS, N_KIND, N_MAC, N_TARGET, N_TIME_NS
from mbsniff.wire.network.rows import (
    ADDRESS_ANNOUNCED,
    LOOKUP_ANSWERED,
    LOOKUP_ASKED,
    ORIGIN,
)

Longs = NDArray[np.int64]
CLAIMS = (LOOKUP_ASKED, LOOKUP_ANSWERED, ADDRESS_ANNOUNCED)
"""What tells everybody that an address has a hardware address (RFC 826; RFC 4861, 7.2)."""


class Neighbourhood:
    """Network events by host; rows are those of `Exchange.network`, in time order."""

    def __init__(self, exchange: Exchange) -> None:
        self.rows = exchange.network
        self._places = {host: place for place, host in enumerate(exchange.hosts)}
        self._orders = {column: self._order(column, len(exchange.hosts)) for column in (N_ADDRESS, N_TARGET)}

    def _order(self, column: int, hosts: int) -> tuple[Longs, Longs]:
        order = np.argsort(self.rows[:, column], kind="stable")
        return order, np.searchsorted(self.rows[order, column], np.arange(hosts + 1))

    def by(self, address: str) -> Longs:
        """What a host says."""
        return self._of(N_ADDRESS, address)

    def about(self, address: str) -> Longs:
        """What is said to or about a host: it is asked for, or spoken to; given; quoted in an error."""
        return self._of(N_TARGET, address)

    def _of(self, column: int, address: str) -> Longs:
        place = self._places.get(address)
        if place is None:
            return self.rows[:0]
        order, bounds = self._orders[column]
        return self.rows[order[bounds[place] : bounds[place + 1]]]

    def address(self, place: int) -> str:
        """The text of a host's address, by its place."""
        return next(host for host, at in self._places.items() if at == place)

    @functools.cached_property
    def has_lookups(self) -> bool:
        """Whether the recording has look-ups at all: else their lack says nothing."""
        return bool(np.isin(self.rows[:, N_KIND], CLAIMS).any())

    @functools.cached_property
    def _hosts_of_mac(self) -> Counter[int]:
        """How many hosts each hardware address speaks for: a router's for many."""
        origins = self.rows[(self.rows[:, N_KIND] == ORIGIN) & (self.rows[:, N_MAC] >= 0)]
        pairs = np.unique(origins[:, [N_MAC, N_ADDRESS]], axis=0)
        return Counter(pairs[:, 0].tolist())

    def usual_mac(self, address: str, before_ns: int) -> int | None:
        """The hardware address that a host had last, before a time; None where unknown or a router's."""
        rows = between(self.by(address), 0, before_ns)
        rows = rows[np.isin(rows[:, N_KIND], (*CLAIMS, ORIGIN)) & (rows[:, N_MAC] >= 0)]
        if not len(rows):
            return None
        mac = int(rows[-1, N_MAC])
        return None if self._hosts_of_mac[mac] > 1 else mac

    def usual_origin(self, address: str, before_ns: int) -> tuple[int, int] | None:
        """(hardware address, hops left) of a host's TCP segments before a time; None where unknown."""
        rows = between(self.by(address), 0, before_ns)
        rows = rows[(rows[:, N_KIND] == ORIGIN) & (rows[:, N_MAC] >= 0)]
        return (int(rows[-1, N_MAC]), int(rows[-1, N_HOPS])) if len(rows) else None


def between(rows: Longs, from_ns: int, until_ns: int) -> Longs:
    """Those of rows in time order that lie in [from, until]."""
    first = np.searchsorted(rows[:, N_TIME_NS], from_ns)
    return rows[first : np.searchsorted(rows[:, N_TIME_NS], until_ns, side="right")]


def of_kind(rows: Longs, *kinds: int) -> Longs:
    """Those of some kinds."""
    return np.asarray(rows[np.isin(rows[:, N_KIND], kinds)], np.int64)


def mac_text(mac: int) -> str:
    """As RFC 7042 writes it: 00-00-5E-00-53-10."""
    return "-".join(f"{mac >> shift & 0xFF:02X}" for shift in range(40, -1, -8))
