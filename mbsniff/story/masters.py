"""What the masters asked other devices meanwhile in, moments out: they went on, waited, or asked nobody."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.causes import blank_within
from mbsniff.diagnose.lines import WITHOUT_REPLY
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import ORPHAN, STATUS_MASK
from mbsniff.story.moments import Moment
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Rows, Scope

MOST_OF_IT = 0.6  # of the silence: a master that asked nobody for so long was at rest
USUAL_TIMES = 1.5  # as long as usual between its requests: a shorter rest is none
MOST_NAMES = 5  # stretches of names that a sentence bears
WAITED = 0.25  # of the silence: waits for another device that make up so much are told


def master_moments(scope: Scope) -> Iterator[Moment]:
    """What each master of the device did elsewhere, those first whose requests feed its watchdog."""
    groups = scope.case.figures.groups
    if scope.silence is None:
        return
    until_ns = scope.silence.until_ns
    others = np.array(
        [d.index for d in scope.case.figures.devices if d.index != scope.device.index], np.int64
    )
    rows = scope.case.requests_between(others, scope.from_ns, until_ns)
    rows = rows[(scope.case.exchange.status[rows] & STATUS_MASK) != ORPHAN]
    rows = rows[np.argsort(scope.case.exchange.request_ns[rows], kind="stable")]
    owners = scope.master_of_poll[scope.case.exchange.poll[rows]]
    feeding = scope.feeding_masters
    asking = [groups.masters.index(m) for m in scope.device.masters]
    went_on: dict[str, list[tuple[str, Rows]]] = {}
    for master in dict.fromkeys([*feeding, *asking]):
        own, name = rows[owners == master], master_called(scope.case, groups.masters[master])
        idle = _idle(scope, master, own)
        if idle and master in feeding and not _is_excused(scope, idle):
            frames = _frames_around(scope, master, *idle)
            what = f"for {duration(idle[1] - idle[0])}"
            yield Moment("asked-nobody", idle[0], frames, name, what=what, until_ns=idle[1])
            continue
        missed, fine = _by_device(scope, own)
        if len(fine) and not idle:
            went_on.setdefault(folded(_devices(scope, fine), MOST_NAMES), []).append((name, fine))
        yield from _without_reply(scope, name, own, missed)
    for devices, asked in went_on.items():
        yield _went_on(scope, devices, asked)


def _by_device(scope: Scope, rows: Rows) -> tuple[NDArray[np.bool_], Rows]:
    """(which requests got no reply in time, the requests to devices that answered all)."""
    missed = np.isin(scope.case.exchange.status[rows] & STATUS_MASK, WITHOUT_REPLY)
    places = scope.case.figures.groups.device_of_poll[scope.case.exchange.poll[rows]]
    silent = np.isin(places, np.unique(places[missed]))
    return missed, np.asarray(rows[~silent], np.int32)


def _without_reply(scope: Scope, name: str, rows: Rows, missed: NDArray[np.bool_]) -> Iterator[Moment]:
    """Requests to other devices without a reply, and how long the master waited for them."""
    if not missed.any():
        return
    own = rows[missed]
    times = scope.case.exchange.request_ns[own]
    devices = folded(_devices(scope, own), MOST_NAMES)
    what = counted(len(own), "request")
    yield Moment("others-no-reply", int(times[0]), _ends(scope, own), name, devices, what, int(times[-1]))
    yield from _waits(scope, name, rows, missed)


def _went_on(scope: Scope, devices: str, asked: list[tuple[str, Rows]]) -> Moment:
    """Masters that asked the same devices all along, and got all replies."""
    rows = np.concatenate([own for _, own in asked])
    rows = rows[np.argsort(scope.case.exchange.request_ns[rows], kind="stable")]
    times = scope.case.exchange.request_ns[rows]
    what = f"{counted(len(rows), 'request')}, all answered"
    who = folded([name for name, _ in asked])
    return Moment("asked-others", int(times[0]), _ends(scope, rows), who, devices, what, int(times[-1]))


def _waits(scope: Scope, name: str, rows: Rows, missed: NDArray[np.bool_]) -> Iterator[Moment]:
    """Time from a request without a reply to whatever the master asked next, where it makes up much of the silence."""
    if scope.silence is None or not missed.any():
        return
    exchange = scope.case.exchange
    waits = np.diff(exchange.request_ns[rows], append=scope.silence.until_ns)[missed]
    total = int(waits.sum())
    if total < WAITED * (scope.silence.until_ns - scope.from_ns):
        return
    own = rows[missed]
    what = f"{duration(total)} for {counted(len(own), 'reply that did not come', 'replies that did not come')} in time"
    first_ns = int(exchange.request_ns[own[0]])
    until_ns = int(exchange.request_ns[own[-1]] + waits[-1])
    yield Moment(
        "waited-for",
        first_ns,
        _ends(scope, own),
        name,
        folded(_devices(scope, own), MOST_NAMES),
        what,
        until_ns,
    )


def _devices(scope: Scope, rows: Rows) -> list[str]:
    figures = scope.case.figures
    places = np.unique(figures.groups.device_of_poll[scope.case.exchange.poll[rows]]).tolist()
    return [called(figures.devices[place]) for place in places]


def _idle(scope: Scope, master: int, rows: Rows) -> tuple[int, int] | None:
    """The longest time in the silence in which a master sent no request, where it is most of the silence."""
    if scope.silence is None:
        return None
    until_ns = scope.silence.until_ns
    own = scope.rows(scope.from_ns, until_ns)
    own = own[scope.master_of_poll[scope.case.exchange.poll[own]] == master]
    times = np.sort(scope.case.exchange.request_ns[np.concatenate([rows, own])])
    times = np.concatenate([[scope.from_ns], times, [until_ns]])
    gaps = np.diff(times)
    longest = int(gaps.argmax())
    if gaps[longest] < max(MOST_OF_IT * (until_ns - scope.from_ns), USUAL_TIMES * _usual_ns(scope, master)):
        return None
    return int(times[longest]), int(times[longest + 1])


def _usual_ns(scope: Scope, master: int) -> int:
    """How long the master usually waits from one request of its fastest poll of the device to the next."""
    polls = [p for p in scope.device.polls if int(scope.master_of_poll[p.row]) == master]
    return min((p.period.median for p in polls if p.kind == "cyclic" and p.period), default=0)


def _is_excused(scope: Scope, idle: tuple[int, int]) -> bool:
    """Whether most of the time at rest is one in which nothing at all was recorded: nothing can be said of it."""
    return 2 * blank_within(scope.case.facts.blanks, *idle) >= idle[1] - idle[0]


def _frames_around(scope: Scope, master: int, begin_ns: int, end_ns: int) -> tuple[int, ...]:
    """The frames of the master's requests on both sides of a time at rest."""
    exchange, groups = scope.case.exchange, scope.case.figures.groups
    everyone = np.arange(len(groups.devices), dtype=np.int64)
    rows = np.concatenate([scope.case.requests_between(everyone, t, t + 1) for t in (begin_ns, end_ns)])
    rows = rows[groups.master_of_poll[exchange.poll[rows]] == master]
    return tuple(sorted(int(f) for f in exchange.request_frame[rows]))


def _ends(scope: Scope, rows: Rows) -> tuple[int, ...]:
    frame = scope.case.exchange.request_frame
    return tuple(dict.fromkeys((int(frame[rows[0]]), int(frame[rows[-1]]))))
