"""Stretches without any frame, and a second look at the segments around them, in; jumps of the recorder's clock out.

Where the clock jumps ahead, all connections go on, and the TCP time stamps of their hosts show how little time went by.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.scene import extent
from mbsniff.diagnose.watchdog import beyond_timeout
from mbsniff.exchange import Look
from mbsniff.measure import DeviceFigures
from mbsniff.measure.silences import limit_ns

BLANK_TOLD_NS = 5_000_000_000  # a stretch without any frame is told from this length on
MOST_DOUBTED = 1_000
MOST_BLANKS = 5  # the longest
AROUND = 40  # transactions before and behind each
LEAST_SPAN_NS = 500_000_000  # over which a host's time stamps show how fast they count
MOST_TICKS = 1 << 31  # further apart, they have gone round (RFC 7323, 5.4)
HALF = 2

Flow = tuple[bytes, int, bytes, int]


@dataclass(frozen=True)
class Jump:
    """The recorder's clock jumped ahead."""

    from_ns: int
    until_ns: int
    passed_ns: int
    """How much time went by meanwhile, as the hosts' time stamps say."""
    flows: int
    """Directions of connections that say so."""

    @property
    def by_ns(self) -> int:
        """How far it jumped."""
        return self.until_ns - self.from_ns - self.passed_ns


@dataclass(frozen=True)
class _Mark:
    time_ns: int
    stamp: int


def clock_jumps(case: Case, findings: list[Finding], look: Look | None) -> list[Jump]:
    """Jumps that time stamps prove, in time order; none where frames cannot be looked at again.

    Looked at are stretches without a frame of 5 s or more, and those in silences that the findings leave open.
    """
    blanks = case.facts.blanks
    doubted = [(f.from_ns or 0, f.until_ns or 0) for f in findings if _is_open(f)]
    matter = blanks[:, 1] - blanks[:, 0] >= BLANK_TOLD_NS
    for begins, ends in doubted[:MOST_DOUBTED]:
        matter |= (blanks[:, 0] >= begins) & (blanks[:, 1] <= ends)
    blanks = blanks[matter]
    if look is None or not len(blanks):
        return []
    from mbsniff.wire.segment import read_segment  # loaded for a second look

    longest = blanks[np.argsort(blanks[:, 0] - blanks[:, 1], kind="stable")][:MOST_BLANKS]
    frames = {int(frame) for blank in longest for frame in _around(case, *blank.tolist())}
    flows: dict[Flow, list[_Mark]] = defaultdict(list)
    for frame in look(frames):
        segment = read_segment(frame.data, frame.original_bytes, frame.link)
        if segment is not None and segment.stamp is not None:
            key = (segment.source, segment.source_port, segment.destination, segment.destination_port)
            flows[key].append(_Mark(frame.time_ns, segment.stamp))
    found = (_jump(from_ns, until_ns, flows) for from_ns, until_ns in sorted(longest.tolist()))
    return [jump for jump in found if jump is not None]


def _around(case: Case, from_ns: int, until_ns: int) -> Iterator[int]:
    """Frames of the last requests and replies before a stretch, and of the first ones behind it."""
    exchange = case.exchange
    times = exchange.request_ns
    for side in (np.flatnonzero(times <= from_ns), np.flatnonzero(times >= until_ns)):
        near = side[np.argsort(np.abs(times[side] - from_ns), kind="stable")[:AROUND]]
        yield from exchange.request_frame[near].tolist()
        yield from exchange.reply_frame[near].tolist()


def _jump(from_ns: int, until_ns: int, flows: dict[Flow, list[_Mark]]) -> Jump | None:
    """What all flows that go on over a stretch agree on; None where it is no jump."""
    passed = [p for marks in flows.values() if (p := _passed(from_ns, until_ns, marks)) is not None]
    if not passed or HALF * max(passed) > until_ns - from_ns:
        return None
    return Jump(from_ns, until_ns, sorted(passed)[len(passed) // 2], len(passed))


def _passed(from_ns: int, until_ns: int, marks: list[_Mark]) -> int | None:
    """Nanoseconds that passed by one host's time stamps, at the pace that they had before."""
    before = [m for m in marks if m.time_ns <= from_ns]
    behind = [m for m in marks if m.time_ns >= until_ns]
    if not before or not behind or before[-1].time_ns - before[0].time_ns < LEAST_SPAN_NS:
        return None
    ticks, span = _ticks(before[0], before[-1]), before[-1].time_ns - before[0].time_ns
    over = _ticks(before[-1], behind[0])
    if not ticks or ticks >= MOST_TICKS or over >= MOST_TICKS:
        return None
    beside = from_ns - before[-1].time_ns + behind[0].time_ns - until_ns
    return max(over * span // ticks - beside, 0)


def _ticks(one: _Mark, other: _Mark) -> int:
    return (other.stamp - one.stamp) % (1 << 32)


def without_jumps(case: Case, findings: list[Finding], jumps: list[Jump]) -> list[Finding]:
    """Leave out silences that are none: the clock's jump taken off, they kept to the timeout."""
    devices = {device.key: device for device in case.figures.devices}
    return [f for f in findings if not (_is_open(f) and _is_made_up(f, devices[f.device or ""], jumps))]


def _is_open(finding: Finding) -> bool:
    return finding.code == "watchdog-due" and finding.certainty == "open"


def _is_made_up(finding: Finding, device: DeviceFigures, jumps: list[Jump]) -> bool:
    limit = limit_ns(device.limits)
    own = [
        s
        for s in beyond_timeout(device)
        if s.until_ns == finding.until_ns and extent(s)[0] == finding.from_ns
    ]
    if limit is None or not own:
        return False
    begins, ends = extent(own[0])
    if own[0].longest_ns is not None:
        ends = max(ends, begins + own[0].longest_ns)
    by_ns = sum(jump.by_ns for jump in jumps if begins <= jump.from_ns and jump.until_ns <= ends)
    return by_ns > 0 and ends - begins - by_ns <= limit
