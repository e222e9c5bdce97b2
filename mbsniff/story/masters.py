"""What the masters asked other devices meanwhile in, moments out: they went on, waited, or asked nobody."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.diagnose.causes import blank_within
from mbsniff.diagnose.lines import WITHOUT_REPLY
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import ORPHAN, STATUS_MASK
from mbsniff.story.moments import Moment
from mbsniff.story.names import called, master_called, together
from mbsniff.story.scope import Rows, Scope

MOST_OF_IT = 0.6  # of the silence: a master that asked nobody for so long was at rest
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
    for master in dict.fromkeys([*feeding, *asking]):
        yield from _of_master(scope, master, rows[owners == master], master in feeding)


def _of_master(scope: Scope, master: int, rows: Rows, feeds: bool) -> Iterator[Moment]:
    name = master_called(scope.case, scope.case.figures.groups.masters[master])
    idle = _idle(scope, master, rows)
    blank_ns = blank_within(scope.case.facts.blanks, *idle) if idle else 0
    if idle and feeds and not _is_excused(idle, blank_ns):
        begin, end = idle
        frames = _frames_around(scope, master, begin, end)
        yield Moment(
            "asked-nobody", begin, frames, name, what=f"for {duration(end - begin)}", until_ns=end,
        )  # fmt: skip
        return
    missed = np.isin(scope.case.exchange.status[rows] & STATUS_MASK, WITHOUT_REPLY)
    places = scope.case.figures.groups.device_of_poll[scope.case.exchange.poll[rows]]
    silent = np.isin(places, np.unique(places[missed]))
    if (~silent).any() and not idle:
        yield _asked_others(scope, name, rows[~silent])
    if silent.any():
        own = rows[missed]
        what = counted(len(own), "request")
        at_ns = scope.case.exchange.request_ns[own]
        devices = together(_devices(scope, own))
        yield Moment("others-no-reply", int(at_ns[0]), _ends(scope, own), name, devices, what, int(at_ns[-1]))
    yield from _waits(scope, name, rows, missed)


def _asked_others(scope: Scope, name: str, rows: Rows) -> Moment:
    times = scope.case.exchange.request_ns[rows]
    what = f"{counted(len(rows), 'request')}, all answered"
    devices = together(_devices(scope, rows))
    return Moment("asked-others", int(times[0]), _ends(scope, rows), name, devices, what, int(times[-1]))


def _waits(scope: Scope, name: str, rows: Rows, missed: np.ndarray) -> Iterator[Moment]:
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
        "waited-for", first_ns, _ends(scope, own), name, together(_devices(scope, own)), what, until_ns
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
    if gaps[longest] < MOST_OF_IT * (until_ns - scope.from_ns):
        return None
    return int(times[longest]), int(times[longest + 1])


def _is_excused(idle: tuple[int, int], blank_ns: int) -> bool:
    """Whether most of the time at rest is one in which nothing at all was recorded: nothing can be said of it."""
    return 2 * blank_ns >= idle[1] - idle[0]


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
