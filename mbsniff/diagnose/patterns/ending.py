"""How an endpoint's connections ended, and how they were kept open without a request, in; findings out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import found
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.ground import SECOND_NS, Ground, Longs, event_span, trusted
from mbsniff.diagnose.patterns.neighbours import Neighbours, announced
from mbsniff.diagnose.patterns.pairing import WITH_REPLY
from mbsniff.diagnose.wording import between, clock, counted, duration
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS, N_TIME_NS
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, OPENING, PROBE, RESET, SERVER, WINDOW_CLOSED

AT_LEAST = 3
IN_USE_NS = 5 * SECOND_NS
PUSHED_NS = SECOND_NS
ANSWERS_NS = SECOND_NS  # a reset in answer to data comes at once; this leaves room for the network
SILENT_NS = SECOND_NS
SHORTEST_IDLE_NS = SECOND_NS
ALIKE = 20  # idle times differ by at most one part in so many
PERIODS = 3
MOST_ENDS = 1_000  # looked at one by one


def ending_patterns(ground: Ground) -> Iterator[Finding]:
    """Pushed out, closed when idle, restarted, kept alive for nothing."""
    if ground.count(CLOSING, RESET):
        ends = _first_ends(ground)
        yield from _idle(ground, ends)
        yield from _pushed_out(ground, ends)
        yield from _restarted(ground, ends[ends[:, E_KIND] == RESET])
    if ground.count(PROBE) >= AT_LEAST:
        yield from _probes(ground)


def _first_ends(ground: Ground) -> Longs:
    """Closes and resets by the device on connections that neither side had ended before, in time order."""
    events = ground.events_of(OPENING, CLOSING, RESET)
    by_connection = events[np.argsort(events[:, E_CONNECTION], kind="stable")]
    is_end = by_connection[:, E_KIND] != OPENING
    after_end = np.zeros(len(events), bool)
    same = by_connection[1:, E_CONNECTION] == by_connection[:-1, E_CONNECTION]
    after_end[1:] = same & is_end[:-1]
    ends = by_connection[is_end & ~after_end & (by_connection[:, E_SIDE] == SERVER)]
    return np.asarray(ends[np.argsort(ends[:, E_TIME_NS], kind="stable")], np.int64)


def _since_request(ground: Ground, events: Longs) -> Longs:
    """Nanoseconds from each event's client's last request to it, -1 where it had sent none."""
    own = ground.pair_of(events)
    since = np.full(len(events), -1, np.int64)
    for pair in np.unique(own).tolist():
        mine = np.flatnonzero(own == pair)
        asked = ground.times_of(ground.requests_of(pair))
        last = np.searchsorted(asked, events[mine, E_TIME_NS], side="right") - 1
        known = last >= 0
        since[mine[known]] = events[mine[known], E_TIME_NS] - asked[last[known]]
    return since


def _idle(ground: Ground, ends: Longs) -> Iterator[Finding]:
    closes = ends[ends[:, E_KIND] == CLOSING]
    if len(closes) < AT_LEAST:
        return
    since = _since_request(ground, closes)
    lengths = np.sort(since[since >= SHORTEST_IDLE_NS])
    if len(lengths) < AT_LEAST or 10 * len(lengths) < 9 * len(closes):
        return
    low, middle, high = int(lengths[0]), int(lengths[len(lengths) // 2]), int(lengths[-1])
    if (high - low) * ALIKE > middle:
        return
    text = f"closed {counted(len(closes), 'connection')}, each {between(low, high)} after its client's last request"
    at = event_span(closes)
    certainty = trusted(ground.case, ground.device, at, "likely", side=CLIENT)
    frames = ground.case.event_frames(closes)
    yield found("idle-close", "risk", ground.device, text, at=at, evidence=frames, certainty=certainty)


def _pushed_out(ground: Ground, ends: Longs) -> Iterator[Finding]:
    accepted = ground.events_of(ACCEPTED)
    accepted = accepted[accepted[:, E_AMOUNT] == 0]
    if not len(accepted):
        return
    since = _since_request(ground, ends)
    victims, newcomers = [], []
    for end, idle in zip(ends[:MOST_ENDS], since[:MOST_ENDS].tolist(), strict=True):
        first, last = np.searchsorted(accepted[:, E_TIME_NS], (end[E_TIME_NS] - PUSHED_NS, end[E_TIME_NS]))
        near = accepted[first:last]
        near = near[ground.pair_of(near) != ground.pair_of(end[None])[0]]
        around = (end[E_TIME_NS] - PUSHED_NS, end[E_TIME_NS] + PUSHED_NS + 1)
        alone = np.diff(np.searchsorted(ends[:, E_TIME_NS], around))[0] == 1
        if len(near) and alone and 0 <= idle <= IN_USE_NS:
            victims.append(end)
            newcomers.append(near[-1])
    if not victims:
        return
    gone, came = np.array(victims), np.array(newcomers)
    if len(gone) < 2 and not _others_go_on(ground, gone[0], came[0]):
        return
    who = sorted({ground.client(p) for p in ground.pair_of(gone).tolist()})
    by = sorted({ground.client(p) for p in ground.pair_of(came).tolist()})
    text = (
        f"{counted(len(gone), 'connection')} of {', '.join(who[:3])} in use ended by the device right after it had "
        f"accepted {', '.join(by[:3])}"
    )
    yield found(
        "connection-evicted", "risk", ground.device, text, at=event_span(gone), certainty="likely",
        evidence=ground.case.event_frames(np.concatenate([came[:4], gone[:4]])),
    )  # fmt: skip


def _others_go_on(ground: Ground, gone: Longs, came: Longs) -> bool:
    """Whether a third client's requests were answered within 5 s before and after."""
    both = ground.pair_of(np.stack([gone, came]))
    rows = ground.requests[np.isin(ground.kinds_of(ground.requests), WITH_REPLY)]
    times = ground.times_of(rows)[~np.isin(ground.pairs_of(rows), both)]
    moment = int(gone[E_TIME_NS])
    first, at, last = np.searchsorted(times, (moment - IN_USE_NS, moment, moment + IN_USE_NS))
    return bool(first < at < last)


def _restarted(ground: Ground, resets: Longs) -> Iterator[Finding]:
    """Resets in answer to what was sent into a silence of the whole endpoint."""
    if not len(resets):
        return
    resets = resets[:MOST_ENDS]
    resets = resets[[_follows_repetition(ground, reset) for reset in resets]]
    if not len(resets):
        return
    heard = _heard(ground)
    if not len(heard):  # whoever reset the connection, the device was never heard
        return
    last = np.searchsorted(heard, resets[:, E_TIME_NS]) - 1
    silent = (last >= 0) & (resets[:, E_TIME_NS] - heard[last] >= SILENT_NS)
    told = resets[silent]
    if not len(told):
        return
    text = f"silent, then a reset in answer to old data on {counted(len(told), 'connection')}"
    at = event_span(told)
    frames = ground.case.event_frames(told)
    news = announced(ground, int(heard[last[silent]][0]), at[1])
    if len(news):
        text += f", after it had announced its address at {clock(int(news[0, N_TIME_NS]))}"
        frames = (*Neighbours.of(ground.case).frames(news[:2]), *frames)
    certainty = trusted(ground.case, ground.device, at, "likely", side=SERVER)
    yield found("device-restart", "fault", ground.device, text, at=at, evidence=frames, certainty=certainty)


def _follows_repetition(ground: Ground, reset: Longs) -> bool:
    """Whether the client's TCP had just sent data again on the connection."""
    moment = int(reset[E_TIME_NS])
    again = ground.events_on(int(reset[E_CONNECTION]), AGAIN)
    times = again[(again[:, E_SIDE] == CLIENT) & (again[:, E_TIME_NS] <= moment), E_TIME_NS]
    return bool(len(times)) and moment - int(times[-1]) <= ANSWERS_NS


def _heard(ground: Ground) -> Longs:
    """When anything was heard of the endpoint, resets apart, in time order."""
    events = ground.events[(ground.events[:, E_SIDE] == SERVER) & (ground.events[:, E_KIND] != RESET)]
    rows = ground.requests[np.isin(ground.kinds_of(ground.requests), WITH_REPLY)]
    came = ground.times_of(rows) + ground.case.exchange.reply_ns[rows]
    return np.sort(np.concatenate([events[:, E_TIME_NS], came]))


def _probes(ground: Ground) -> Iterator[Finding]:
    probes = ground.events_of(PROBE)
    connections, counts = np.unique(probes[:, E_CONNECTION], return_counts=True)
    for connection in connections[counts >= AT_LEAST][:MOST_ENDS].tolist():
        own = ground.events_on(connection, PROBE)
        own = own[own[:, E_SIDE] == CLIENT]
        if len(own) >= AT_LEAST:
            yield from _kept_alive(ground, own)


def _kept_alive(ground: Ground, probes: Longs) -> Iterator[Finding]:
    """The longest run of one connection's probes without a request of its client between them."""
    pair = int(ground.pair_of(probes[:1])[0])
    asked = ground.times_of(ground.requests_of(pair))
    place = np.searchsorted(asked, probes[:, E_TIME_NS])
    values, counts = np.unique(place, return_counts=True)
    longest = int(values[counts.argmax()])
    run = probes[place == longest]
    if len(run) < AT_LEAST or longest == 0:
        return
    begins = int(asked[longest - 1])
    ends = int(asked[longest]) if longest < len(asked) else int(run[-1, E_TIME_NS])
    period = _fastest_period(ground, pair)
    if period is None or ends - begins <= PERIODS * period or _ended(ground, run):
        return
    closed = ground.events_on(int(run[0, E_CONNECTION]), WINDOW_CLOSED)
    if ((closed[:, E_TIME_NS] >= begins) & (closed[:, E_TIME_NS] <= ends)).any():
        return  # what looks like a keep-alive probe asks whether the window has opened
    text = (
        f"{ground.client(pair)} sent {len(run)} keep-alive probes and no request for {duration(ends - begins)}, on a "
        "connection that went on"
    )
    frames = ground.case.event_frames(run)
    certainty = trusted(ground.case, ground.device, (begins, ends), "likely", side=CLIENT)
    yield found(
        "probes-only", "risk", ground.device, text, at=(begins, ends), evidence=frames, certainty=certainty
    )


def _fastest_period(ground: Ground, pair: int) -> int | None:
    """The shortest median period of a client's cyclic polls at the endpoint."""
    keys = ground.case.figures.groups.pair_of_poll
    polls = [p for d in ground.case.devices_at(ground.device) for p in d.polls if keys[p.row] == pair]
    return min((p.period.median for p in polls if p.kind == "cyclic" and p.period), default=None)


def _ended(ground: Ground, run: Longs) -> bool:
    """Whether the connection was ended or begun anew within two probe intervals after the last one."""
    step = int(np.diff(run[:, E_TIME_NS]).max())
    events = ground.events_on(int(run[0, E_CONNECTION]), OPENING, CLOSING, RESET)
    marks: NDArray[np.int64] = events[:, E_TIME_NS]
    last = int(run[-1, E_TIME_NS])
    return bool(((marks >= int(run[0, E_TIME_NS])) & (marks <= last + 2 * step)).any())
