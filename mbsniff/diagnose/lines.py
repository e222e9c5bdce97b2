"""A case in, each master's own line of acts out: requests and attempts to connect, and how long it waited in vain.

Built once for a master whose silence is looked at; each silence then costs a few bisections.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import (
    E_AMOUNT,
    E_CONNECTION,
    E_FRAME,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LATE,
    OPEN,
    ORPHAN,
    STATUS_MASK,
    UNANSWERED,
)
from mbsniff.wire.control import UNSEEN
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, OPENING, PROBE, RESET

if TYPE_CHECKING:
    from mbsniff.diagnose.case import Case

WITHOUT_REPLY = (UNANSWERED, LATE, OPEN)  # in time; open ones to the recording's end
SHORTEST_IDLE_NS = 100_000_000  # shorter pauses between two acts explain no silence
LONG_WAIT_NS = 500_000_000  # a reply that takes so long holds up a master that asks one after the other
Longs = NDArray[np.int64]


def one_of(values: NDArray[Any], wanted: Iterable[int]) -> NDArray[np.bool_]:
    """Which values are one of a few: for short columns far quicker than a general search."""
    found = np.zeros(len(values), np.bool_)
    for each in wanted:
        found |= values == each
    return found


@dataclass(frozen=True)
class Line:
    """What one master did, in time order."""

    times: Longs
    """Shape (acts,), nanoseconds: its requests, attempts to connect, and connections that it ended, to whomever."""
    rows: NDArray[np.int32]
    """Shape (acts,): the transaction, or -1 - event for what is none (a row of the exchange's events)."""
    requests: Longs
    """Shape (acts + 1,): how many of the acts before each place are requests."""
    vain: Longs
    """Places of the acts without a reply or connection, or with one after LONG_WAIT_NS, in time order."""
    idle: Longs
    """Places of the acts after which it did nothing for SHORTEST_IDLE_NS or longer; the last act included."""
    signs: Longs
    """Rows of the exchange's events that show its host alive whatever it asks: probes, ends, repetitions, SYNs."""

    def between(self, from_ns: int, until_ns: int) -> tuple[int, int]:
        """Places of its acts in (from, until)."""
        first = int(np.searchsorted(self.times, from_ns, side="right"))
        return first, max(int(np.searchsorted(self.times, until_ns)), first)

    def within(self, places: Longs, from_ns: int, until_ns: int) -> Longs:
        """Those of some places (in order) whose acts lie in (from, until)."""
        first, last = self.between(from_ns, until_ns)
        return places[np.searchsorted(places, first) : np.searchsorted(places, last)]

    def waited_ns(self, places: Longs, until_ns: int) -> Longs:
        """How long after each of these acts it did nothing else, at most up to a time."""
        after = np.append(self.times, np.iinfo(np.int64).max)[places + 1]
        return np.asarray(np.minimum(after, until_ns) - self.times[places], np.int64)


class Lines:
    """The lines of a case's masters, each made when it is first asked for."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._made: dict[int, Line] = {}

    def of(self, master: int) -> Line:
        """The line of a master, by its place in the groups' list."""
        if master not in self._made:
            self._made[master] = _line(self._case, self, master)
        return self._made[master]

    def requests_of(self, master: int) -> Longs:
        """Rows of a master's transactions."""
        return _part(*self._requests, master)

    def events_of(self, master: int) -> Longs:
        """Rows of the link events on a master's connections, of both sides."""
        return _part(*self._events, master)

    @functools.cached_property
    def _requests(self) -> tuple[Longs, Longs]:
        exchange, groups = self._case.exchange, self._case.figures.groups
        return _parts(groups.master_of_poll[exchange.poll], len(groups.masters))

    @functools.cached_property
    def _events(self) -> tuple[Longs, Longs]:
        exchange, groups = self._case.exchange, self._case.figures.groups
        pairs = exchange.connection_pair[exchange.events[:, E_CONNECTION]]
        return _parts(groups.master_of_pair[pairs], len(groups.masters))


def _parts(owners: Longs, count: int) -> tuple[Longs, Longs]:
    """Rows by owner, in their own order within each, and where each owner's begin."""
    few = owners.astype(np.int16) if count < 1 << 15 else owners  # sixteen bits are sorted in one pass
    order = np.argsort(few, kind="stable")
    return order, np.searchsorted(owners[order], np.arange(count + 1))


def _part(order: Longs, bounds: Longs, owner: int) -> Longs:
    return order[bounds[owner] : bounds[owner + 1]]


def _line(case: Case, lines: Lines, master: int) -> Line:
    exchange = case.exchange
    rows = lines.requests_of(master)
    kinds = exchange.status[rows] & STATUS_MASK
    rows, kinds = rows[kinds != ORPHAN], kinds[kinds != ORPHAN]
    events = exchange.events
    own = lines.events_of(master)
    own = own[events[own, E_SIDE] == CLIENT]
    is_syn = (events[own, E_KIND] == OPENING) & (events[own, E_AMOUNT] != UNSEEN)
    links = own[is_syn | one_of(events[own, E_KIND], (CLOSING, RESET))]
    times = np.concatenate([exchange.request_ns[rows], events[links, E_TIME_NS]])
    acts = np.concatenate([rows, -1 - links])
    slow = exchange.reply_ns[rows] >= LONG_WAIT_NS
    failed = np.concatenate([one_of(kinds, WITHOUT_REPLY) | slow, _is_vain(case, links)])
    order = np.argsort(times, kind="stable")
    times = times[order]
    pauses = np.diff(times, append=np.iinfo(np.int64).max)
    signs = own[one_of(events[own, E_KIND], (PROBE, AGAIN, OPENING, CLOSING, RESET))]
    return Line(
        times=times,
        rows=acts[order].astype(np.int32),
        requests=np.concatenate([[0], np.cumsum(acts[order] >= 0)]),
        vain=np.flatnonzero(failed[order]),
        idle=np.flatnonzero(pauses >= SHORTEST_IDLE_NS),
        signs=signs[np.argsort(events[signs, E_TIME_NS], kind="stable")],
    )


def _is_vain(case: Case, links: Longs) -> NDArray[np.bool_]:
    """Whether each is a SYN that the other side's did not answer before anything else on its connection."""
    events = case.exchange.events
    following = case.next_on_connection[links]
    accepted = (following >= 0) & (events[following, E_KIND] == ACCEPTED)
    return np.asarray((events[links, E_KIND] == OPENING) & ~accepted, np.bool_)


def frames_of(case: Case, line: Line, places: Longs) -> Longs:
    """Ordinals of the frames of acts."""
    acts = line.rows[places].astype(np.int64)
    links = acts < 0
    found = np.empty(len(acts), np.int64)
    found[~links] = case.exchange.request_frame[acts[~links]]
    found[links] = case.exchange.events[-1 - acts[links], E_FRAME]
    return found
