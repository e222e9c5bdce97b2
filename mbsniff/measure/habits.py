"""Transactions without a reply and link events in, a master's time-out, tries and reconnect delay out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange
from mbsniff.exchange.columns import (
    E_AMOUNT,
    E_CONNECTION,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LATE,
    ORPHAN,
    OVERTAKEN_NS,
    STATUS_MASK,
    UNANSWERED,
)
from mbsniff.measure.figures import MasterHabits
from mbsniff.measure.groups import Groups
from mbsniff.measure.quantiles import median
from mbsniff.wire.rows import CLIENT, CLOSING, OPENING, RESET


class LinksByPair:
    """Connections and link events, by pair of client and endpoint."""

    def __init__(self, exchange: Exchange) -> None:
        self._connections = np.bincount(exchange.connection_pair, minlength=len(exchange.pairs))
        owners = exchange.connection_pair[exchange.events[:, E_CONNECTION]]
        order = np.argsort(owners, kind="stable")
        self._events = exchange.events[order]
        self._bounds = np.searchsorted(owners[order], np.arange(len(exchange.pairs) + 1))

    def connections(self, pair: int) -> int:
        """How many connections the pair had."""
        return int(self._connections[pair])

    def events(self, pair: int) -> NDArray[np.int64]:
        """Its link events, in the order of each connection."""
        return self._events[self._bounds[pair] : self._bounds[pair + 1]]


def master_habits(
    groups: Groups, pair: int, requests: int, order: NDArray[np.int32] | None, links: LinksByPair
) -> MasterHabits:
    """What the client of ``pair``, which sent so many requests, did when replies failed to come.

    ``order`` has its endpoint's transactions in time order, None where every request was answered in time.
    """
    exchange = groups.exchange
    events = links.events(pair)
    whom = exchange.pairs[pair]
    timeout_ns = tries = None
    if order is not None:
        rows = order[groups.pair_of_poll[exchange.poll[order]] == pair]
        rows = rows[(exchange.status[rows] & STATUS_MASK) != ORPHAN]
        kinds = exchange.status[rows] & STATUS_MASK
        timeout_ns = _timeout(exchange.request_ns[rows], kinds, events)
        tries = _tries(exchange.poll[rows], kinds)
    return MasterHabits(
        master=groups.masters[groups.master_of_pair[pair]],
        server=whom.server,
        port=whom.port,
        requests=requests,
        connections=links.connections(pair),
        timeout_ns=timeout_ns,
        tries=tries,
        reconnect_ns=_reconnect(events),
    )


def _timeout(times: NDArray[np.int64], kinds: NDArray[np.uint8], events: NDArray[np.int64]) -> int | None:
    """Median wait from a request without a (timely) reply to whatever the master did next."""
    waited = np.flatnonzero((kinds == UNANSWERED) | (kinds == LATE))
    if not len(waited):
        return None
    by_client = events[:, E_SIDE] == CLIENT
    own = by_client & np.isin(events[:, E_KIND], (CLOSING, RESET, OPENING))
    acts = np.sort(np.concatenate([times, events[own, E_TIME_NS]]))
    following = np.searchsorted(acts, times[waited], side="right")
    followed = following < len(acts)
    waits = acts[following[followed]] - times[waited[followed]]
    return median(waits[waits >= OVERTAKEN_NS])


def _tries(polls: NDArray[np.int32], kinds: NDArray[np.uint8]) -> int | None:
    """The longest run of unanswered requests of one poll, one after the other."""
    missed = kinds == UNANSWERED
    if not missed.any():
        return None
    begins = np.ones(len(polls), bool)
    begins[1:] = (polls[1:] != polls[:-1]) | ~missed[1:] | ~missed[:-1]
    runs = np.diff(np.append(np.flatnonzero(begins), len(polls)))
    return int(runs[missed[begins]].max())


def _reconnect(events: NDArray[np.int64]) -> int | None:
    """Median time from a connection's end, by whomever, to the next attempt to open one."""
    kinds = events[:, E_KIND]
    opens = events[(kinds == OPENING) & (events[:, E_AMOUNT] == 0), E_TIME_NS]
    ends = np.sort(events[(kinds == CLOSING) | (kinds == RESET), E_TIME_NS])
    if not len(opens) or not len(ends):
        return None
    last = np.searchsorted(ends, opens, side="right") - 1
    known = last >= 0
    return median(opens[known] - ends[last[known]])
