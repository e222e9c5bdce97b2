"""A silence in, what the masters that feed the device did meanwhile out: asked others, waited, ended, nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.causes.recording import blank_within
from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.lines import Line, Longs, frames_of, one_of
from mbsniff.diagnose.scene import Rows, Scene
from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.exchange.columns import E_CONNECTION, E_KIND, E_TIME_NS, LONGEST_WAIT_NS
from mbsniff.wire.rows import CLOSING, PROBE, RESET

IDLE_PERCENT = 60  # of the silence, in one stretch, without an act that it does not wait for
WAITED_PERCENT = 50  # of the silence, spent waiting for others
TOGETHER_NS = 100_000_000  # a process that dies takes all its connections along within milliseconds
MOST_OF = 0.8  # of the endpoints that it had been asking
SEARCHED = 256  # acts in a row that are looked through for an example


def asked_others(scene: Scene) -> Seen:
    """The masters' requests to other devices."""
    if not _others_between(scene, scene.early_ns, scene.nearly_until_ns):
        return ABSENT
    count = _others_between(scene, scene.from_ns, scene.until_ns)
    sent = f"{scene.feeder_names} sent {counted(count, 'request')}"
    text = f"{sent} to other devices meanwhile and none that feeds this one"
    rows = [row for line in scene.feeder_lines for row in _examples(scene, line)]
    return Seen(True, text, scene.case.request_frames(rows[:4]))


def _others_between(scene: Scene, from_ns: int, until_ns: int) -> int:
    """How many requests of the masters that feed it go to other devices."""
    count = 0
    for line in scene.feeder_lines:
        first, last = line.between(from_ns, until_ns)
        count += int(line.requests[last] - line.requests[first])
    times = scene.case.exchange.request_ns[scene.rows]
    return count - int(np.count_nonzero((times > from_ns) & (times < until_ns)))


def _examples(scene: Scene, line: Line) -> list[int]:
    first, last = line.between(scene.early_ns, scene.nearly_until_ns)
    rows = line.rows[first : min(last, first + SEARCHED)]
    rows = rows[rows >= 0]
    groups = scene.case.figures.groups
    others = rows[groups.device_of_poll[scene.case.exchange.poll[rows]] != scene.device.index]
    found: list[int] = others[:2].tolist()
    return found


def asked_nobody(scene: Scene) -> Seen:
    """No master of those that feed it did anything at all, for most of the silence in one stretch."""
    stretches = idle_stretches(scene)
    shortest = min((until - since for since, until in stretches), default=0)
    if 100 * shortest < IDLE_PERCENT * (scene.until_ns - scene.from_ns):
        return ABSENT
    text = f"{scene.feeder_names} asked no device at all for {duration(shortest)}"
    rows = [r for r in (scene.silence.before, scene.silence.after) if r is not None]
    return Seen(True, text, scene.case.request_frames(rows))


def idle_stretches(scene: Scene) -> list[tuple[int, int]]:
    """For each master that feeds: its longest stretch of the silence without an act that it does not wait for."""
    if "idle" not in scene.told:
        scene.told["idle"] = [_longest_idle(line, scene) for line in scene.feeder_lines]
    found: list[tuple[int, int]] = scene.told["idle"]
    return found


def _longest_idle(line: Line, scene: Scene) -> tuple[int, int]:
    first, last = line.between(scene.from_ns, scene.until_ns)
    begun = np.searchsorted(line.idle, max(first - 1, 0))
    places = line.idle[begun : np.searchsorted(line.idle, last)]
    if first == 0:  # it was not heard before either
        before = int(line.times[0]) if len(line.times) else scene.until_ns
        return scene.from_ns, max(min(before, scene.until_ns), scene.from_ns)
    if not len(places):
        return scene.from_ns, scene.from_ns
    begins = np.maximum(line.times[places], scene.from_ns)
    ends = np.minimum(np.append(line.times, np.iinfo(np.int64).max)[places + 1], scene.until_ns)
    waits = np.where(_among(line.vain, places), np.minimum(ends - begins, LONGEST_WAIT_NS), 0)
    longest = int((ends - begins - waits).argmax())
    return int(begins[longest] + waits[longest]), int(ends[longest])


def _among(places: Longs, wanted: Longs) -> NDArray[np.bool_]:
    """Which of the wanted places are among some in order."""
    at = np.searchsorted(places, wanted)
    inside = at < len(places)
    return np.asarray(
        inside & (places[np.where(inside, at, 0)] == wanted) if len(places) else inside, np.bool_
    )


def waits_for_neighbour(scene: Scene) -> Seen:
    """A master waited in vain for other devices for at least half of the silence."""
    for master, line in zip(scene.feeders.tolist(), scene.feeder_lines, strict=True):
        places = line.within(line.vain, scene.from_ns, scene.until_ns)
        places = places[_elsewhere(scene, line.rows[places])]
        waits = line.waited_ns(places, scene.until_ns)
        if len(waits) and 100 * int(waits.sum()) >= WAITED_PERCENT * (scene.until_ns - scene.from_ns):
            return _waited(scene, master, line, places, waits)
    return ABSENT


def _waited(scene: Scene, master: int, line: Line, places: Longs, waits: Longs) -> Seen:
    case = scene.case
    name = case.master_name(case.figures.groups.masters[master])
    whom = listed(sorted({_whose(scene, int(line.rows[place])) for place in places[:SEARCHED].tolist()}), 3)
    text = (
        f"{name} meanwhile waited {duration(int(waits.sum()))} for "
        f"{counted(len(waits), 'reply', 'replies')} of other devices: {whom}, {duration(int(np.median(waits)))} each"
    )
    return Seen(True, text, case.frames(frames_of(case, line, places[:8])))


def _elsewhere(scene: Scene, acts: Rows) -> NDArray[np.bool_]:
    """Which acts (of a line's rows) concern another device; what is no request, another endpoint."""
    case, exchange = scene.case, scene.case.exchange
    found = np.zeros(len(acts), np.bool_)
    asks = acts >= 0
    found[asks] = case.figures.groups.device_of_poll[exchange.poll[acts[asks]]] != scene.device.index
    pairs = exchange.connection_pair[exchange.events[-1 - acts[~asks], E_CONNECTION]]
    found[~asks] = case.endpoint_of_pair[pairs] != scene.device.endpoint
    return found


def _whose(scene: Scene, act: int) -> str:
    """What to call the device that an act concerns."""
    case = scene.case
    if act >= 0:
        device = case.figures.devices[int(case.figures.groups.device_of_poll[case.exchange.poll[act]])]
        return device.name or device.key
    pair = case.exchange.pairs[case.exchange.connection_pair[case.exchange.events[-1 - act, E_CONNECTION]]]
    return str(pair.server)


def sent_probes(scene: Scene) -> Seen:
    """Keep-alive probes by the masters' hosts (RFC 1122, 4.2.3.6)."""
    events = _signs(scene)
    probes = events[events[:, E_KIND] == PROBE]
    if not len(probes):
        return ABSENT
    return Seen(
        True,
        f"{_hosts(scene)} sent {counted(len(probes), 'keep-alive probe')}",
        scene.case.event_frames(probes),
    )


def tcp_heard(scene: Scene) -> Seen:
    """Segments of the masters' hosts that no request caused: probes, ends, resets, what TCP sends again."""
    events = _signs(scene)
    if not len(events):
        return ABSENT
    return Seen(
        True,
        f"{_hosts(scene)} sent {counted(len(events), 'segment')} meanwhile",
        scene.case.event_frames(events),
    )


def _hosts(scene: Scene) -> str:
    """What to call whatever the masters run on."""
    return "its host" if len(scene.feeders) == 1 else "their hosts"


def _signs(scene: Scene) -> Longs:
    """Link events by the masters' side, to whomever, well within the stretch in which they did nothing."""
    events = scene.case.exchange.events
    found = [events[:0]]
    for line, (since, until) in zip(scene.feeder_lines, idle_stretches(scene), strict=True):
        times = events[line.signs, E_TIME_NS]
        edge = (until - since) // 10
        first = np.searchsorted(times, since + edge, side="right")
        found.append(events[line.signs[first : np.searchsorted(times, until - edge)]])
    return np.concatenate(found)


def ended_together(scene: Scene) -> Seen:
    """A master ended its connections to nearly all endpoints at one moment, without being asked to."""
    case = scene.case
    ends = scene.events[one_of(scene.events[:, E_KIND], (CLOSING, RESET))]
    ends = ends[ends[:, E_TIME_NS] < scene.nearly_until_ns]
    if not len(ends):
        return ABSENT
    moment = int(ends[0, E_TIME_NS])
    groups, exchange = case.figures.groups, case.exchange
    pairs = exchange.connection_pair
    master = int(groups.master_of_pair[pairs[ends[0, E_CONNECTION]]])
    line = case.lines.of(master)
    near = exchange.events[_ends_near(scene, line, moment)]
    ended = set(pairs[near[:, E_CONNECTION]].tolist())
    asked = _pairs_asked(scene, line, moment)
    if len(ended) < 2 or int(pairs[ends[0, E_CONNECTION]]) not in ended:
        return ABSENT
    if len(ended & asked) < MOST_OF * len(asked):
        return ABSENT
    span = int(near[:, E_TIME_NS].max() - near[:, E_TIME_NS].min())
    text = (
        f"{case.master_name(groups.masters[master])} ended {len(ended)} connections within {duration(span)}, those of "
        "all devices that it had been asking"
    )
    return Seen(True, text, case.event_frames(near))


def _ends_near(scene: Scene, line: Line, moment: int) -> Longs:
    """Rows of the events by which it ended connections at about a moment that the other side had not ended."""
    events, before = scene.case.exchange.events, scene.case.previous_on_connection
    times = events[line.signs, E_TIME_NS]
    first = np.searchsorted(times, moment - TOGETHER_NS)
    near = line.signs[first : np.searchsorted(times, moment + TOGETHER_NS, side="right")]
    near = near[one_of(events[near, E_KIND], (CLOSING, RESET))]
    asked_to = (before[near] >= 0) & one_of(events[before[near], E_KIND], (CLOSING, RESET))
    return np.asarray(near[~asked_to], np.int64)


def _pairs_asked(scene: Scene, line: Line, moment: int) -> set[int]:
    """The pairs whose endpoints it asked within the device's timeout before a moment."""
    exchange, groups = scene.case.exchange, scene.case.figures.groups
    first, last = line.between(moment - scene.limit_ns, moment)
    rows = line.rows[first:last]
    found: set[int] = set(groups.pair_of_poll[exchange.poll[rows[rows >= 0]]].tolist())
    return found


def others_heard(scene: Scene) -> Seen:
    """Frames of other hosts were recorded through most of the silence."""
    blank = blank_within(scene.case.facts.blanks, scene.from_ns, scene.until_ns)
    if 2 * blank >= scene.until_ns - scene.from_ns:
        return ABSENT
    rows = [r for r in (scene.silence.before, scene.silence.after) if r is not None]
    return Seen(True, "other hosts were recorded meanwhile", scene.case.request_frames(rows))
