"""Attempts to connect to an endpoint, and what came of them, in; findings out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import found
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.ground import SECOND_NS, Ground, Longs, event_span, trusted
from mbsniff.diagnose.patterns.neighbours import host_answers
from mbsniff.diagnose.patterns.pairing import WITH_REPLY
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS, UNANSWERED
from mbsniff.wire.control import SENT_AGAIN
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, OPENING, RESET, SERVER

AT_LEAST = 3
REFUSED_NS = 3 * SECOND_NS  # an answer to the first or the second SYN (RFC 6298, 2.1: sent again after 1 s)
AT_ONCE_NS = SECOND_NS
MEANWHILE_NS = 10 * SECOND_NS
SERVED, CLOSED, ANEW = 0, 1, 2  # signs of life of a connection; the last: reset, or opened again
STORM, STORM_NS = 20, 10 * SECOND_NS
OUTAGE_NS = 60 * SECOND_NS
UNHEARD_NS = 10 * SECOND_NS  # hosts look each other up again every few seconds
MOST_REFUSALS = 1_000  # looked at one by one, for who was served meanwhile
MOST_ATTEMPTS = 10_000  # looked at one by one, for what was left open


def connecting_patterns(ground: Ground) -> Iterator[Finding]:
    """Slots, refusals, storms, leaks, and a port used again too early."""
    if not ground.count(CLOSING, RESET) and ground.count(OPENING) <= AT_LEAST:
        return
    attempts = Attempts.of(ground)
    if not len(attempts.at):
        return
    yield from _refusals(ground, attempts)
    yield from _storm(ground, attempts)
    yield from _leak(ground, attempts)
    yield from _same_port(ground, attempts)


@dataclass(frozen=True)
class Attempts:
    """The endpoint's link events by connection, and where in them its clients' first SYNs are."""

    events: Longs
    """By connection, in time order within each."""
    at: Longs
    """Places of the SYNs, in time order."""

    @staticmethod
    def of(ground: Ground) -> Attempts:
        """Those of an endpoint."""
        events = ground.events_of(OPENING, ACCEPTED, CLOSING, RESET)
        events = events[np.argsort(events[:, E_CONNECTION], kind="stable")]
        syn = (events[:, E_KIND] == OPENING) & (events[:, E_SIDE] == CLIENT) & (events[:, E_AMOUNT] == 0)
        at = np.flatnonzero(syn)
        return Attempts(events, at[np.argsort(events[at, E_TIME_NS], kind="stable")])

    def following(self, at: Longs, step: int = 1) -> tuple[Longs, NDArray[np.bool_]]:
        """The events ``step`` places on, and whether they belong to the same connection."""
        there = at + step
        inside = (there >= 0) & (there < len(self.events))
        there = np.where(inside, there, at)
        same = self.events[there, E_CONNECTION] == self.events[at, E_CONNECTION]
        return self.events[there], inside & same


def _refusals(ground: Ground, attempts: Attempts) -> Iterator[Finding]:
    refused, ends = _turned_away(ground, attempts)
    all_of_them = len(refused)
    refused, ends = refused[:MOST_REFUSALS], ends[:MOST_REFUSALS]
    if not len(refused):
        return
    served = _served_meanwhile(ground, attempts, refused)
    yield from _no_slot(ground, refused[served], ends[served], all_of_them > MOST_REFUSALS)
    down = refused[~served & _is_refusal(ends)]
    if len(down) >= 2 and not _anyone_served(ground, *event_span(down)):
        text = (
            f"{counted(len(down), 'attempt')} to connect answered by a reset, and nobody was served meanwhile"
        )
        frames = ground.case.event_frames(down)
        yield found(
            "connections-refused", "fault", ground.device, text,
            at=event_span(down), evidence=frames, certainty="likely",
        )  # fmt: skip


def _no_slot(ground: Ground, refused: Longs, ends: Longs, more: bool) -> Iterator[Finding]:
    if not len(refused):
        return
    resets = int(np.count_nonzero(_is_refusal(ends)))
    ways = [f"{resets} by a reset"] * (resets > 0)
    ways += [f"{len(ends) - resets} by closing at once"] * (resets < len(ends))
    clients = sorted({ground.client(p) for p in ground.pair_of(refused).tolist()})
    text = (
        f"{'at least ' * more}{counted(len(refused), 'connection')} of "
        f"{', '.join(clients[:3])} turned away "
        f"({' and '.join(ways)}) while others were served"
    )
    yield found(
        "no-free-slot", "fault" if len(refused) >= AT_LEAST else "risk", ground.device, text,
        at=event_span(refused), certainty="likely",
        evidence=ground.case.event_frames(np.concatenate([refused[:4], ends[:4]])),
    )  # fmt: skip


def _is_refusal(ends: Longs) -> NDArray[np.bool_]:
    """Whether the answer to a SYN was a reset (marked in place of the amount)."""
    return np.asarray(ends[:, E_AMOUNT] == -1)


def _turned_away(ground: Ground, attempts: Attempts) -> tuple[Longs, Longs]:
    """SYNs that a reset answered, or whose connection the device ended at once and unused; and those ends."""
    syns = attempts.events[attempts.at]
    one, same = attempts.following(attempts.at)
    waited = one[:, E_TIME_NS] - syns[:, E_TIME_NS]
    reset = same & (one[:, E_KIND] == RESET) & (one[:, E_SIDE] == SERVER) & (waited <= REFUSED_NS)
    two, also = attempts.following(attempts.at, 2)
    ended = np.isin(two[:, E_KIND], (CLOSING, RESET)) & (two[:, E_SIDE] == SERVER)
    soon = two[:, E_TIME_NS] - one[:, E_TIME_NS] <= AT_ONCE_NS
    closed = same & also & (one[:, E_KIND] == ACCEPTED) & ended & soon
    for place in np.flatnonzero(closed).tolist():
        closed[place] = not _asked_between(ground, syns[place], int(two[place, E_TIME_NS]))
    ends = np.where(closed[:, None], two, one)
    ends[:, E_AMOUNT] = np.where(reset, -1, 0)
    taken = reset | closed
    return syns[taken], ends[taken]


def _asked_between(ground: Ground, event: Longs, until_ns: int) -> bool:
    """Whether the event's client sent a request from then until a time."""
    pair = int(ground.case.exchange.connection_pair[event[E_CONNECTION]])
    asked = ground.times_of(ground.requests_of(pair))
    first, last = np.searchsorted(asked, (event[E_TIME_NS], until_ns + 1))
    return bool(first < last)


def _served_meanwhile(ground: Ground, attempts: Attempts, events: Longs) -> NDArray[np.bool_]:
    """For each event whether another client's connection lived then: served before, and served or closed after it."""
    rows = ground.requests[np.isin(ground.kinds_of(ground.requests), WITH_REPLY)]
    links = attempts.events[attempts.events[:, E_KIND] != ACCEPTED]
    ends_well = links[:, E_KIND] == CLOSING
    times = np.concatenate([ground.times_of(rows), links[:, E_TIME_NS]])
    pairs = np.concatenate([ground.pairs_of(rows), ground.pair_of(links)])
    signs = np.concatenate([np.full(len(rows), SERVED), np.where(ends_well, CLOSED, ANEW)])
    order = np.argsort(times, kind="stable")
    times, pairs, signs = times[order], pairs[order], signs[order]
    own = ground.pair_of(events).tolist()
    lived = np.zeros(len(events), bool)
    for place, moment in enumerate(events[:, E_TIME_NS].tolist()):
        first, at, last = np.searchsorted(times, (moment - MEANWHILE_NS, moment, moment + MEANWHILE_NS))
        served = pairs[first:at][signs[first:at] == SERVED]
        for pair in np.intersect1d(served, pairs[at:last]).tolist():
            before = signs[first:at][pairs[first:at] == pair][-1]
            after = signs[at:last][pairs[at:last] == pair][0]
            lived[place] |= pair != own[place] and before == SERVED and after <= CLOSED
    return lived


def _anyone_served(ground: Ground, from_ns: int, until_ns: int) -> bool:
    first, last = np.searchsorted(ground.times_of(ground.requests), (from_ns, until_ns + 1))
    return bool(np.isin(ground.kinds_of(ground.requests[first:last]), WITH_REPLY).any())


def _storm(ground: Ground, attempts: Attempts) -> Iterator[Finding]:
    if len(attempts.at) < STORM:
        return
    syns = attempts.events[attempts.at]
    own = ground.pair_of(syns)
    pairs, counts = np.unique(own, return_counts=True)
    for pair in pairs[counts >= STORM].tolist():
        mine = syns[own == pair]
        spans = mine[STORM - 1 :, E_TIME_NS] - mine[: 1 - STORM, E_TIME_NS]
        fastest = int(spans.argmin())
        if spans[fastest] > STORM_NS:
            continue
        begins, ends = int(mine[fastest, E_TIME_NS]), int(mine[fastest + STORM - 1, E_TIME_NS])
        first, last = np.searchsorted(ground.times_of(ground.requests_of(pair)), (begins, ends + 1))
        asked = int(last - first)
        if asked > STORM:
            continue
        text = (
            f"{ground.client(pair)} opened {len(mine)} connections, at worst {STORM} within "
            f"{duration(ends - begins)} with {counted(asked, 'request')} in all"
        )
        frames = ground.case.event_frames(mine[fastest:])
        yield found("reconnect-storm", "risk", ground.device, text, at=event_span(mine), evidence=frames)


def _leak(ground: Ground, attempts: Attempts) -> Iterator[Finding]:
    """Connections that an outage ended for the master only."""
    syns = attempts.events[attempts.at]
    own = ground.pair_of(syns)
    pairs, counts = np.unique(own, return_counts=True)
    for pair in pairs[counts > AT_LEAST].tolist():
        places = attempts.at[own == pair][:MOST_ATTEMPTS]
        left = [a for a, b in pairwise(places.tolist()) if _is_left(ground, attempts, a, b)]
        if len(left) < AT_LEAST:
            continue
        opened = attempts.events[left]
        at = event_span(opened)
        refused = _turned_away(ground, attempts)[0]
        refused = refused[refused[:, E_TIME_NS] > at[1]]
        text = f"{len(left)} connections of {ground.client(pair)} given up after an outage and never closed"
        text += (
            f"; after that {counted(len(refused), 'attempt')} to connect turned away" if len(refused) else ""
        )
        yield found(
            "connections-leaked", "fault" if len(refused) else "risk", ground.device, text, at=at,
            evidence=ground.case.event_frames(opened), certainty=trusted(ground.case, ground.device, at, "likely"),
        )  # fmt: skip


def _is_left(ground: Ground, attempts: Attempts, at: int, next_at: int) -> bool:
    """Whether the connection was accepted, never ended, and given up in an outage before the next SYN."""
    events, connection = attempts.events, attempts.events[at, E_CONNECTION]
    rest = events[at + 1 :]
    rest = rest[: int(np.searchsorted(rest[:, E_CONNECTION], connection, side="right"))]
    if not len(rest) or rest[0, E_KIND] != ACCEPTED or (rest[:, E_KIND] != ACCEPTED).any():
        return False
    until = int(events[next_at, E_TIME_NS])
    since = max(until - OUTAGE_NS, int(events[at, E_TIME_NS]))
    again = ground.events_on(int(connection), AGAIN)
    rows = ground.requests_of(int(ground.case.exchange.connection_pair[connection]))
    first, last = np.searchsorted(ground.times_of(rows), (since, until))
    missing = ground.kinds_of(rows[first:last]) == UNANSWERED
    return bool((again[:, E_TIME_NS] >= since).any() or missing.any())


def _same_port(ground: Ground, attempts: Attempts) -> Iterator[Finding]:
    """SYNs on a connection that nobody had ended: reset by the master itself, or unheard though the host answers."""
    before, known = attempts.following(attempts.at, -1)
    after, goes_on = attempts.following(attempts.at)
    syns = attempts.events[attempts.at]
    alive = known & (before[:, E_KIND] == ACCEPTED)
    soon = after[:, E_TIME_NS] - syns[:, E_TIME_NS] <= REFUSED_NS
    reset = alive & goes_on & soon & (after[:, E_KIND] == RESET) & (after[:, E_SIDE] == CLIENT)
    again = alive & goes_on & soon & (after[:, E_KIND] == OPENING) & (after[:, E_AMOUNT] == SENT_AGAIN)
    for place in np.flatnonzero(again).tolist():
        until_ns = int(after[place, E_TIME_NS]) + UNHEARD_NS
        again[place] = len(host_answers(ground, int(syns[place, E_TIME_NS]), until_ns)) > 0
    own = syns[reset | again]
    if not len(own):
        return
    clients = sorted({ground.client(p) for p in ground.pair_of(own).tolist()})
    ways = ["had to reset that first"] * bool(reset.any())
    ways += ["was not heard, though the host answers look-ups or echoes"] * bool(again.any())
    text = (
        f"{', '.join(clients[:3])} began anew {counted(len(own), 'time')} on a port whose old connection the "
        f"device still held, and {' or '.join(ways)}"
    )
    frames = ground.case.event_frames(np.concatenate([own[:4], after[reset | again][:4]]))
    at = event_span(own)
    yield found("same-port-restart", "risk", ground.device, text, at=at, evidence=frames, certainty="likely")
