"""Tables of events in, what came of each out: attempts and questions answered or not, addresses taken over or moved."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.neighbourhood import CLAIMS, mac_text
from mbsniff.exchange import Exchange
from mbsniff.exchange import columns as c
from mbsniff.wire import rows as w
from mbsniff.wire.control import UNSEEN
from mbsniff.wire.network import rows as n

Longs = NDArray[np.int64]
ANSWERED_NS = 1_000_000_000  # common practice: look-ups and echoes are repeated after a second
_ANSWERS = {
    n.LOOKUP_ASKED: (n.LOOKUP_ANSWERED, n.ADDRESS_ANNOUNCED),
    n.ADDRESS_PROBED: (n.LOOKUP_ANSWERED, n.ADDRESS_ANNOUNCED),
    n.ECHO_ASKED: (n.ECHO_ANSWERED,),
}
_FOLLOWED_BY = {(w.ACCEPTED, w.SERVER): "accepted", (w.RESET, w.SERVER): "refused"}


def link_outcomes(events: Longs) -> list[str | None]:
    """Of each attempt to connect: accepted, refused or unanswered, by what follows it on its connection."""
    outcomes: list[str | None] = [None] * len(events)
    order = np.lexsort((np.arange(len(events)), events[:, c.E_CONNECTION]))
    following: list[int] | None = None
    for k in order[::-1].tolist():
        event = events[k].tolist()
        if following is not None and following[c.E_CONNECTION] != event[c.E_CONNECTION]:
            following = None
        if event[c.E_KIND] == w.OPENING and event[c.E_AMOUNT] != UNSEEN:
            key = (following[c.E_KIND], following[c.E_SIDE]) if following else None
            outcomes[k] = _FOLLOWED_BY.get(key, "unanswered") if key else "unanswered"
        following = event
    return outcomes


def network_outcomes(exchange: Exchange) -> list[str | None]:
    """Of each look-up, probe and echo: answered within ANSWERED_NS or not; of claims: taken over, or moved."""
    rows = exchange.network.tolist()
    outcomes = _claims(rows, exchange.hosts)
    answered_at: dict[tuple[int, ...], int] = {}
    for k in range(len(rows) - 1, -1, -1):
        kind, at_ns = rows[k][c.N_KIND], rows[k][c.N_TIME_NS]
        if kind in _ANSWERS:
            came_ns = answered_at.get(_asked_key(rows[k]))
            is_answered = came_ns is not None and came_ns - at_ns <= ANSWERED_NS
            outcomes[k] = outcomes[k] or ("answered" if is_answered else "unanswered")
        elif kind in (n.LOOKUP_ANSWERED, n.ADDRESS_ANNOUNCED, n.ECHO_ANSWERED):
            answered_at[_answer_key(rows[k])] = at_ns
    return outcomes


def _asked_key(row: list[int]) -> tuple[int, ...]:
    if row[c.N_KIND] == n.ECHO_ASKED:
        return n.ECHO_ASKED, row[c.N_TARGET], row[c.N_ADDRESS], row[c.N_AMOUNT]
    return n.LOOKUP_ASKED, row[c.N_TARGET]


def _answer_key(row: list[int]) -> tuple[int, ...]:
    if row[c.N_KIND] == n.ECHO_ANSWERED:
        return n.ECHO_ASKED, row[c.N_ADDRESS], row[c.N_TARGET], row[c.N_AMOUNT]
    return n.LOOKUP_ASKED, row[c.N_ADDRESS]


def _claims(rows: list[list[int]], hosts: list[str]) -> list[str | None]:
    """Where a claim gives an address another hardware address than the last one did, or the other way round."""
    outcomes: list[str | None] = [None] * len(rows)
    owner: dict[int, int] = {}
    holds: dict[int, int] = {}
    alone = _speaking_for_one(rows)
    for k, row in enumerate(rows):
        mac, address = row[c.N_MAC], row[c.N_ADDRESS]
        if mac < 0 or address < 0:
            continue
        if row[c.N_KIND] not in CLAIMS:
            if row[c.N_KIND] == n.ORIGIN and mac in alone:
                holds[mac] = address
            continue
        before = owner.get(address, mac)
        if before != mac:
            outcomes[k] = f"address was {mac_text(before)}'s"
        elif address not in owner and _moved(hosts, holds.get(mac, address), address):
            outcomes[k] = f"address was {hosts[holds[mac]]} before"
        owner[address], holds[mac] = mac, address
    return outcomes


def _speaking_for_one(rows: list[list[int]]) -> set[int]:
    """Hardware addresses that send segments under one address only, as a router's does not."""
    origins = {(row[c.N_MAC], row[c.N_ADDRESS]) for row in rows if row[c.N_KIND] == n.ORIGIN}
    counts = Counter(mac for mac, _ in origins)
    return {mac for mac, count in counts.items() if count == 1}


def _moved(hosts: list[str], one: int, other: int) -> bool:
    """Whether these are two addresses, of the same version."""
    return one != other and (":" in hosts[one]) == (":" in hosts[other])
