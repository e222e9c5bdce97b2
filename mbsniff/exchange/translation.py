"""An exchange in which conversations may be seen on both sides of an address translation in, each counted once out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import (
    ANSWERED,
    E_CONNECTION,
    E_TIME_NS,
    LATE,
    N_CONNECTION,
    P_ANSWERED,
    P_COUNT,
    P_FIRST_NS,
    P_LAST_NS,
    P_NEXT,
    P_READ,
    P_VALUE,
    P_WHO,
    P_WRITE,
    POLL_COLUMNS,
    STATUS_MASK,
    UNKNOWN,
)
from mbsniff.exchange.result import Pair, Translation
from mbsniff.exchange.twins import Longs, Requests, Twins

NEAR_NS = 1_000_000_000  # from one place to the other; sequence numbers tell the rest
MOST = 9, 10  # of the requests, nine in ten
LEAST = 4  # requests that both carry: fewer may be alike by chance, or not be told alike by where batches end
_WITH_REPLY = (ANSWERED, LATE)  # from the first to the last of these statuses
_REPLY_COLUMNS = ("ack_ns", "status", "exception", "reply_frame")


@dataclass
class Draft:
    """An exchange as far as it is made: columns in the order of the transactions' beginnings."""

    columns: dict[str, NDArray[Any]]
    polls: Longs
    events: Longs
    pairs: list[Pair]
    connection_pair: NDArray[np.int32]
    connection_port: NDArray[np.int32]
    places: Longs | None = None
    """Where each connection stands once some were left out, -1 where it was; None where none was."""

    @property
    def kept(self) -> NDArray[np.bool_] | slice:
        """Which connections are still there."""
        return slice(None) if self.places is None else self.places >= 0


@dataclass(frozen=True)
class Meeting:
    """Requests that two connections both carried: transactions of the outer and of the inner one, side by side."""

    outer: int
    inner: int
    """Connections: the inner one is nearer to the device."""
    outer_rows: Longs
    inner_rows: Longs


def fold(draft: Draft, twins: Twins) -> list[Translation]:
    """Count once, in place, what was seen on several sides of translations; which conversations these are."""
    noted = {c: twins.requests(c) for pair in twins.pairs for c in pair}
    meetings = [m for later, earlier in sorted(twins.pairs) if (m := _meet(draft, noted, later, earlier))]
    if not meetings:
        return []
    dropped = np.zeros(len(draft.columns["poll"]), bool)
    gone: dict[int, int] = {}
    moved: list[tuple[Longs, Pair]] = []
    told: dict[tuple[Pair, Pair], list[int]] = defaultdict(list)
    for chain in _chains(meetings):
        inner = chain[-1]
        seen = _seen(chain, draft, noted, dropped)
        near, masters = _pair(draft, inner), np.unique(seen.outer).tolist()
        for outer in masters:
            own, far = seen.rows[seen.outer == outer], _pair(draft, outer)
            moved.append((own, Pair(far.client, near.server, near.port)))
            told[far, near].append(int(np.count_nonzero(dropped[noted[outer].transactions])))
        begins_ns = int(draft.columns["request_ns"][seen.rows].min())
        gone |= {c: -1 if noted[c].whole else begins_ns - NEAR_NS for c in chain[:-1]}
        if noted[inner].whole and len(masters) == 1:
            draft.connection_pair[inner] = _row_of(draft, moved[-1][1])
            draft.connection_port[inner] = draft.connection_port[masters[0]]
    _move(draft, moved)
    _drop(draft, dropped, gone)
    return [Translation(far, near, len(counts), sum(counts)) for (far, near), counts in sorted(told.items())]


def _pair(draft: Draft, connection: int) -> Pair:
    return draft.pairs[int(draft.connection_pair[connection])]


def _row_of(draft: Draft, pair: Pair) -> int:
    if pair not in draft.pairs:
        draft.pairs.append(pair)
    return draft.pairs.index(pair)


def _meet(draft: Draft, noted: dict[int, Requests], one: int, other: int) -> Meeting | None:
    """The requests of both connections, where nearly all that the smaller one has are the other's as well."""
    if draft.connection_pair[one] == draft.connection_pair[other]:
        return None
    a, b = noted[one], noted[other]
    _, at, bt = np.intersect1d(a.marks, b.marks, return_indices=True)
    first, second = a.transactions[at], b.transactions[bt]
    alike = _alike(draft, first, second)
    first, second = first[alike], second[alike]
    if len(first) < LEAST or len(first) * MOST[1] < min(len(a.marks), len(b.marks)) * MOST[0]:
        return None
    nests = _nests(draft, first, second), _nests(draft, second, first)
    if max(nests) * MOST[1] < len(first) * MOST[0]:
        return None
    if nests[0] > nests[1] or (nests[0] == nests[1] and _pair(draft, other).port < _pair(draft, one).port):
        return Meeting(one, other, first, second)
    return Meeting(other, one, second, first)


def _alike(draft: Draft, first: Longs, second: Longs) -> NDArray[np.bool_]:
    """Whether requests ask the same of the same unit at about the same time."""
    columns, polls = draft.columns, draft.polls
    one, two = polls[columns["poll"][first]], polls[columns["poll"][second]]
    same = (one[:, P_WHO] & 0xFFFF == two[:, P_WHO] & 0xFFFF) & (one[:, P_READ] == two[:, P_READ])
    same &= one[:, P_WRITE] == two[:, P_WRITE]
    apart = columns["request_ns"][first] - columns["request_ns"][second]
    return np.asarray(same & (np.abs(apart) <= NEAR_NS))


def _nests(draft: Draft, outer: Longs, inner: Longs) -> int:
    """Of how many the inner one is asked no earlier, and answered no later, than the outer one."""
    columns = draft.columns
    asked = columns["request_ns"][inner] - columns["request_ns"][outer]
    both = _answered(draft, outer) & _answered(draft, inner)
    earlier = columns["reply_ns"][outer] - columns["reply_ns"][inner] - asked
    return int(np.count_nonzero((asked >= 0) & (~both | (earlier >= 0))))


def _answered(draft: Draft, rows: Longs) -> NDArray[np.bool_]:
    kinds = draft.columns["status"][rows] & STATUS_MASK
    return np.asarray((kinds >= _WITH_REPLY[0]) & (kinds <= _WITH_REPLY[1]))


def _chains(meetings: list[Meeting]) -> list[list[int]]:
    """Connections that are one conversation, from the one nearest to the master to the one nearest to the device."""
    group: dict[int, int] = {}
    depth: dict[int, int] = defaultdict(int)
    for meeting in meetings:
        depth[meeting.inner] += 1
        depth[meeting.outer] -= 1
        ends = [group.setdefault(c, c) for c in (meeting.outer, meeting.inner)]
        group = {c: min(ends) if g in ends else g for c, g in group.items()}
    members: dict[int, list[int]] = defaultdict(list)
    for connection, head in group.items():
        members[head].append(connection)
    return [sorted(m, key=lambda c: depth[c]) for _, m in sorted(members.items())]


@dataclass(frozen=True)
class Seen:
    """A conversation's transactions, each once; both have shape (transactions,)."""

    rows: Longs
    outer: Longs
    """The connection that shows the master's own address."""


def _seen(chain: list[int], draft: Draft, noted: dict[int, Requests], dropped: NDArray[np.bool_]) -> Seen:
    """The chain's conversation; marks what is a second sight of it as dropped.

    What the inner connection shows counts. What only an outer one shows counts as well, and so does its reply
    where the recording lacks the inner one's.
    """
    inner = noted[chain[-1]]
    marks, rows, outer = inner.marks, inner.transactions, np.full(len(inner.marks), -1, np.int64)
    for further in reversed(chain[:-1]):
        also = noted[further]
        _, at, there = np.intersect1d(also.marks, marks, return_indices=True)
        _lend_replies(draft, also.transactions[at], rows[there])
        outer[there] = further
        again = np.zeros(len(also.marks), bool)
        again[at] = True
        dropped[also.transactions[again]] = True
        dropped[also.orphans] = True
        marks = np.concatenate([marks, also.marks[~again]])
        rows = np.concatenate([rows, also.transactions[~again]])
        outer = np.concatenate([outer, np.full(int(np.count_nonzero(~again)), further, np.int64)])
    rows = np.concatenate([rows, inner.orphans])
    outer = np.concatenate([outer, np.full(len(inner.orphans), -1, np.int64)])
    order = np.argsort(rows, kind="stable")
    return Seen(rows[order], _filled(outer[order]))


def _filled(owners: Longs) -> Longs:
    """Where -1 stands, the owner before it, at the beginning the first one: one master has a port at a time."""
    known = np.flatnonzero(owners >= 0)
    last = np.maximum(np.searchsorted(known, np.arange(len(owners)), side="right") - 1, 0)
    return np.asarray(owners[known[last]], np.int64)


def _lend_replies(draft: Draft, outer: Longs, inner: Longs) -> None:
    """Where the inner reply went unrecorded and the outer one did not, that one tells what it was."""
    columns = draft.columns
    lacks = (columns["status"][inner] & STATUS_MASK == UNKNOWN) & _answered(draft, outer)
    outer, inner = outer[lacks], inner[lacks]
    for name in _REPLY_COLUMNS:
        columns[name][inner] = columns[name][outer]
    ends = columns["request_ns"][outer] + columns["reply_ns"][outer]
    columns["reply_ns"][inner] = np.maximum(ends - columns["request_ns"][inner], 0)


def _move(draft: Draft, moved: list[tuple[Longs, Pair]]) -> None:
    """Give transactions to polls of another pair, which are added where they do not exist yet."""
    poll, polls = draft.columns["poll"], draft.polls
    rows = {_key(entry): row for row, entry in enumerate(polls.tolist())}
    added: list[list[int]] = []
    for transactions, pair in moved:
        whose = _row_of(draft, pair)
        for old in np.unique(poll[transactions]).tolist():
            entry = polls[old].tolist()
            entry[P_WHO] = whose << 16 | entry[P_WHO] & 0xFFFF
            new = rows.setdefault(_key(entry), len(polls) + len(added))
            if new == len(polls) + len(added):
                added.append(entry)
            own = transactions[poll[transactions] == old]
            poll[own] = new
    draft.polls = np.concatenate([polls, np.array(added, np.int64).reshape(-1, POLL_COLUMNS)])


def _key(entry: list[int]) -> tuple[int, int, int]:
    return entry[P_WHO], entry[P_READ], entry[P_WRITE]


def _drop(draft: Draft, dropped: NDArray[np.bool_], gone: dict[int, int]) -> None:
    """Leave out transactions, polls that have none any more, and connections' events from a time on (-1: all)."""
    for name, column in draft.columns.items():
        draft.columns[name] = column[~dropped]
    _count_anew(draft)
    events = draft.events
    since = np.full(len(draft.connection_pair), np.iinfo(np.int64).max, np.int64)
    since[list(gone)] = list(gone.values())
    draft.events = events = events[events[:, E_TIME_NS] < since[events[:, E_CONNECTION]]]
    kept = since >= 0
    draft.places = np.where(kept, np.cumsum(kept) - 1, -1)
    events[:, E_CONNECTION] = draft.places[events[:, E_CONNECTION]]
    draft.connection_pair, draft.connection_port = draft.connection_pair[kept], draft.connection_port[kept]


def of_kept_connections(network: Longs, draft: Draft) -> Longs:
    """Network events, those of connections that were left out aside, with the connections as they now are numbered."""
    if draft.places is None:
        return network
    network = network.copy()
    bound = network[:, N_CONNECTION] >= 0
    network[bound, N_CONNECTION] = draft.places[network[bound, N_CONNECTION]]
    return np.asarray(network[~bound | (network[:, N_CONNECTION] >= 0)])


def _count_anew(draft: Draft) -> None:
    """The poll table's counts and times, as the transactions now are; rows without any go."""
    poll, times, polls = draft.columns["poll"], draft.columns["request_ns"], draft.polls
    counts = np.bincount(poll, minlength=len(polls))
    answered = _answered(draft, np.arange(len(poll)))
    polls[:, P_COUNT] = counts
    polls[:, P_ANSWERED] = np.bincount(poll[answered], minlength=len(polls))
    polls[:, P_FIRST_NS], polls[:, P_LAST_NS] = np.iinfo(np.int64).max, 0
    np.minimum.at(polls[:, P_FIRST_NS], poll, times)
    np.maximum.at(polls[:, P_LAST_NS], poll, times)
    polls[:, P_NEXT], polls[:, P_VALUE] = 0, -1
    kept = counts > 0
    draft.columns["poll"] = (np.cumsum(kept) - 1)[poll].astype(np.int32)
    draft.polls = polls[kept]
