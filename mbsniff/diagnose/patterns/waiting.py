"""Waiting that lasts longer than its reason, and requests that take over another's identifier, in; findings out."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.ground import SECOND_NS, Ground, Longs, Rows, event_span, span, trusted
from mbsniff.diagnose.patterns.pairing import WITH_REPLY
from mbsniff.diagnose.scene import scene_of
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import (
    BY_ORDER,
    E_CONNECTION,
    E_SIDE,
    E_TIME_NS,
    LONGEST_WAIT_NS,
    P_WHO,
    RESENT,
    UNANSWERED,
)
from mbsniff.measure import DeviceFigures
from mbsniff.wire.rows import AGAIN, CLIENT, CLOSING, OPENING, RESET

AT_LEAST = 3
DOUBLES = (1.5, 2.5)  # RFC 6298, 5.5: the timer doubles; clocks and ticks leave room
OUTLASTS_NS = SECOND_NS
MOST_CONNECTIONS = 1_000  # looked at one by one


def starved(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """The longest silence, where the master spent it waiting for others; one beyond the timeout is told elsewhere."""
    longest, fastest = device.silences.longest, device.fastest_feeding_poll
    if longest is None or fastest is None or fastest.period is None or device.silences.beyond:
        return
    if longest.length_ns < 2 * fastest.period.median or not case.any_unanswered:
        return
    scene = scene_of(case, device, longest, longest.length_ns)
    rows = scene.others
    if scene.is_asked or len(scene.unanswered) or not len(rows):
        return
    groups, exchange = case.figures.groups, case.exchange
    asker = int(groups.master_of_poll[exchange.poll[longest.before]])
    rows = rows[groups.master_of_poll[exchange.poll[rows]] == asker]
    missed = scene.statuses(rows) == UNANSWERED
    waits = np.diff(exchange.request_ns[rows], append=scene.until_ns)[missed]
    if 2 * int(waits.sum()) < longest.length_ns:
        return
    text = (
        f"not asked for {duration(longest.length_ns)} (usually every {duration(fastest.period.median)}), of which "
        f"{case.master_name(groups.masters[asker])} waited {duration(int(waits.sum()))} for "
        f"{counted(len(waits), 'reply', 'replies')} of other devices in vain"
    )
    at = (longest.from_ns, longest.until_ns)
    frames = case.request_frames(rows[missed].tolist())
    certainty = trusted(case, device, at, "likely", side=CLIENT)
    yield found("starved", "risk", device, text, at=at, evidence=frames, certainty=certainty)


def waiting_patterns(ground: Ground) -> Iterator[Finding]:
    """What an endpoint's outages leave behind."""
    devices = ground.case.devices_at(ground.device)
    if any(d.statuses["unanswered"] for d in devices) and any(d.statuses["by-order"] for d in devices):
        yield from _reused(ground)
    if ground.count(AGAIN) >= AT_LEAST:
        yield from _backed_off(ground)


def _reused(ground: Ground) -> Iterator[Finding]:
    exchange = ground.case.exchange
    for pair in ground.pairs_asking():
        rows = ground.requests_of(pair)
        kinds = ground.kinds_of(rows)
        if ground.case.serial_pairs[pair]:
            continue  # no identifiers at all
        if 10 * np.count_nonzero(kinds == BY_ORDER) >= 9 * np.count_nonzero(np.isin(kinds, WITH_REPLY)):
            continue  # one identifier for all
        first, second = rows[:-1], rows[1:]
        reused = (kinds[:-1] == UNANSWERED) & (kinds[1:] == BY_ORDER)
        reused &= exchange.polls[exchange.poll[first], P_WHO] == exchange.polls[exchange.poll[second], P_WHO]
        reused &= ground.times_of(second) - ground.times_of(first) <= LONGEST_WAIT_NS
        reused &= (exchange.status[second] & RESENT) == 0
        own = second[reused & ~_anew_between(ground, pair, first, second)]
        if len(own) < AT_LEAST:
            continue
        text = (
            f"{ground.client(pair)} used the identifier of an unanswered request for another one {len(own)} times; "
            "whose the reply was cannot be told"
        )
        at = span(ground.times_of(own))
        frames = ground.case.request_frames(own.tolist())
        yield found(
            "identifier-reused", "risk", ground.device, text, at=at, evidence=frames, certainty="likely"
        )


def _anew_between(
    ground: Ground, pair: int, first: Rows, second: Rows
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether the client's connection was ended or opened between two requests."""
    events = ground.events_of(OPENING, CLOSING, RESET)
    marks = events[ground.pair_of(events) == pair, E_TIME_NS]
    return np.searchsorted(marks, ground.times_of(second)) > np.searchsorted(marks, ground.times_of(first))


def _backed_off(ground: Ground) -> Iterator[Finding]:
    again = ground.events_of(AGAIN)
    connections, counts = np.unique(again[:, E_CONNECTION], return_counts=True)
    for connection in connections[counts >= AT_LEAST][:MOST_CONNECTIONS].tolist():
        own = ground.events_on(connection, AGAIN)
        for run in _doubling(own[own[:, E_SIDE] == CLIENT]):
            yield from _outlasted(ground, run)


def _doubling(again: Longs) -> list[Longs]:
    """Stretches of repetitions whose intervals double, three of them at least."""
    gaps = np.diff(again[:, E_TIME_NS]).tolist()
    found_runs, begin = [], 0
    for place, (one, two) in enumerate(pairwise([*gaps, 0])):
        if not DOUBLES[0] * one <= two <= DOUBLES[1] * one:
            if place + 2 - begin >= AT_LEAST and place > begin:
                found_runs.append(again[begin : place + 2])
            begin = place + 1
    return found_runs


def _outlasted(ground: Ground, run: Longs) -> Iterator[Finding]:
    """A run at whose end the connection goes on, and before whose end another client was answered again."""
    begins, ends = event_span(run)
    pair = int(ground.pair_of(run[:1])[0])
    rows = ground.requests
    kinds, times, pairs = ground.kinds_of(rows), ground.times_of(rows), ground.pairs_of(rows)
    came = times + np.maximum(ground.case.exchange.reply_ns[rows], 0)
    answered = np.isin(kinds, WITH_REPLY)
    if not (answered & (pairs == pair) & (times <= begins) & (came >= ends)).any():
        return  # the request that was repeated was never answered
    others = np.unique(pairs[(pairs != pair) & (times >= begins) & (times <= ends) & (kinds == UNANSWERED)])
    back = came[answered & np.isin(pairs, others) & (times > begins)]
    if not len(back) or ends - int(back.min()) < OUTLASTS_NS:
        return
    text = (
        f"{ground.client(pair)} sent its request again {len(run)} times at doubling intervals, the last one "
        f"{duration(ends - int(back.min()))} after another client had been answered again"
    )
    frames = ground.case.event_frames(run)
    certainty = trusted(ground.case, ground.device, (begins, ends), "likely")
    yield found(
        "backed-off", "risk", ground.device, text, at=(begins, ends), evidence=frames, certainty=certainty
    )
