"""Which reply goes with which request, over all connections of an endpoint; findings out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.ground import SECOND_NS, Ground, Longs, Rows, span, trusted
from mbsniff.diagnose.wording import counted
from mbsniff.exchange.columns import (
    ANSWERED,
    BY_ORDER,
    LATE,
    LONGEST_WAIT_NS,
    MISADDRESSED,
    ORPHAN,
    OVERTAKEN_NS,
    P_WHO,
    PIPELINED,
    SENT_AGAIN,
    STATUS_MASK,
    UNANSWERED,
    UNKNOWN,
)
from mbsniff.measure import DeviceFigures
from mbsniff.wire.rows import CLIENT, SERVER

AT_LEAST = 3
WITH_REPLY = (ANSWERED, BY_ORDER, PIPELINED, LATE)
WAITING = (UNANSWERED, UNKNOWN, LATE)
CROSSED_NS = 5 * SECOND_NS  # how long a request may have waited for a reply that went elsewhere


def unit_patterns(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """A unit that nobody answers for, and one that another answers for."""
    yield from _silent_unit(case, device)
    yield from _other_unit(case, device)


def _silent_unit(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    missing = device.statuses["unanswered"]
    if missing < AT_LEAST or missing + device.statuses["open"] < device.requests:
        return
    first, last = device.first_ns or 0, device.last_ns or 0
    others = [
        d
        for d in case.devices_at(device)
        if d.index != device.index
        and d.answered >= AT_LEAST
        and (d.first_ns or 0) <= last
        and (d.last_ns or 0) >= first
    ]
    rows = case.transactions(device)
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) == UNANSWERED]
    again = (case.exchange.status[rows] & SENT_AGAIN) != 0
    if not others or (again & (case.exchange.ack_ns[rows] < 0)).any():
        return
    text = (
        f"{counted(len(rows), 'request')} to this unit, none answered, while the endpoint answered "
        f"for {others[0].key}"
    )
    yield found(
        "unit-silent", "fault", device, text, at=(first, last), evidence=case.request_frames(rows.tolist()),
        certainty=trusted(case, device, (first, last), "likely", side=SERVER),
    )  # fmt: skip


def _other_unit(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if device.statuses["misaddressed"] < AT_LEAST:
        return
    rows = case.transactions(device)
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) == MISADDRESSED]
    if len(_waiting_elsewhere(Ground(case, device), rows)):
        return
    text = f"{counted(len(rows), 'reply', 'replies')} of another unit than the one that was asked"
    at = span(case.exchange.request_ns[rows])
    frames = case.reply_frames(rows.tolist())
    yield found("reply-other-unit", "fault", device, text, at=at, evidence=frames)


def pairing_patterns(ground: Ground) -> Iterator[Finding]:
    """Replies crossed or sent twice, second requests never answered."""
    devices = ground.case.devices_at(ground.device)
    if any(d.statuses["orphan"] or d.statuses["misaddressed"] for d in devices):
        yield from _crossed(ground)
    if sum(d.statuses["orphan"] for d in devices) >= AT_LEAST:
        yield from _twice(ground)
    if sum(d.statuses["pipelined"] for d in devices) >= AT_LEAST:
        yield from _never_second(ground)


def _arrived(ground: Ground, rows: Rows) -> Longs:
    """When replies came: those without a request are their own."""
    return ground.times_of(rows) + np.maximum(ground.case.exchange.reply_ns[rows], 0)


def _who(ground: Ground, rows: Rows) -> Longs:
    """Pair, unit and function, as in P_WHO."""
    return np.asarray(ground.case.exchange.polls[ground.case.exchange.poll[rows], P_WHO], np.int64)


def _waiting_elsewhere(ground: Ground, replies: Rows) -> Rows:
    """Which of the stray replies came while another connection's like request waited that stayed without one."""
    kinds = ground.kinds_of(ground.requests)
    open_ones = ground.requests[np.isin(kinds, (UNANSWERED, MISADDRESSED))]
    begun, asked = ground.times_of(open_ones), _who(ground, open_ones)
    crossed = []
    for row, came, who in zip(
        replies.tolist(), _arrived(ground, replies).tolist(), _who(ground, replies).tolist(), strict=True
    ):
        first, last = np.searchsorted(begun, (came - CROSSED_NS, came))
        near = asked[first:last]
        other = (near >> 16) != who >> 16
        orphan = ground.kinds_of(np.array([row], np.int32))[0] == ORPHAN
        like = (near & 0xFFFF) == (who & 0xFFFF) if orphan else (near & 0xFF) == (who & 0xFF)
        if (other & like).any():
            crossed.append(row)
    return np.array(crossed, np.int32)


def _strays(ground: Ground) -> Rows:
    kinds = ground.kinds_of(ground.rows)
    return np.asarray(ground.rows[(kinds == ORPHAN) | (kinds == MISADDRESSED)], np.int32)


def _crossed(ground: Ground) -> Iterator[Finding]:
    rows = _waiting_elsewhere(ground, _strays(ground))
    if not len(rows):
        return
    case, at = ground.case, span(ground.times_of(rows))
    clients = sorted({ground.client(pair) for pair in ground.pairs_of(rows).tolist()})
    text = (
        f"{counted(len(rows), 'reply', 'replies')} went to {', '.join(clients[:3])}, while another connection's like "
        "request waited in vain"
    )
    yield found(
        "reply-crossed", "fault", ground.device, text, at=at, evidence=case.reply_frames(rows.tolist()),
        certainty=trusted(case, ground.device, at, "likely" if len(rows) > 1 else "open"),
    )  # fmt: skip


def _twice(ground: Ground) -> Iterator[Finding]:
    orphans = ground.rows[ground.kinds_of(ground.rows) == ORPHAN]
    kinds = ground.kinds_of(ground.requests)
    came, who = ground.times_of(orphans), _who(ground, orphans)
    doubled = np.zeros(len(orphans), bool)
    for each in np.unique(who).tolist():
        mine = np.flatnonzero(who == each)
        same = _who(ground, ground.requests) == each
        replied = ground.requests[same & np.isin(kinds, WITH_REPLY)]
        waited = ground.times_of(ground.requests[same & np.isin(kinds, WAITING)])
        doubled[mine] = _lies_within(np.sort(_arrived(ground, replied)), came[mine], SECOND_NS)
        doubled[mine] &= ~_lies_within(waited, came[mine], LONGEST_WAIT_NS)
    rows = orphans[doubled]
    if len(rows) < AT_LEAST or len(_waiting_elsewhere(ground, rows)):
        return
    at = span(ground.times_of(rows))
    certainty = trusted(ground.case, ground.device, at, "likely", side=CLIENT)
    text = (
        f"{counted(len(rows), 'reply', 'replies')} that nobody asked for, each right after a like "
        "one that was asked for"
    )
    frames = ground.case.reply_frames(rows.tolist())
    yield found("reply-twice", "risk", ground.device, text, at=at, evidence=frames, certainty=certainty)


def _lies_within(marks: Longs, times: Longs, before_ns: int) -> NDArray[np.bool_]:
    """For each of ``times`` whether a mark (sorted) lies at it or up to ``before_ns`` before it."""
    return np.searchsorted(marks, times, side="right") > np.searchsorted(marks, times - before_ns)


def _never_second(ground: Ground) -> Iterator[Finding]:
    """Requests that followed at once on an answered one: of each client, by segment or apart."""
    for pair in ground.pairs_asking():
        rows = ground.requests_of(pair)
        first, second = rows[:-1], rows[1:]
        gap = ground.times_of(second) - ground.times_of(first)
        follows = (ground.kinds_of(first) == PIPELINED) & (gap < OVERTAKEN_NS)
        frames = ground.case.exchange.request_frame
        shares = frames[first] == frames[second]
        yield from _ignored(ground, pair, second[follows & shares], "segment-unread")
        yield from _ignored(ground, pair, second[follows & ~shares], "pipelining-ignored")


def _ignored(ground: Ground, pair: int, rows: Rows, code: str) -> Iterator[Finding]:
    exchange = ground.case.exchange
    if len(rows) < AT_LEAST or (ground.kinds_of(rows) != UNANSWERED).any():
        return
    if (exchange.status[rows] & SENT_AGAIN).any():
        return
    where = "in the same segment as" if code == "segment-unread" else "at once after"
    text = (
        f"none of {len(rows)} requests that {ground.client(pair)} sent {where} another one was "
        "answered; TCP took them"
    )
    at = span(ground.times_of(rows))
    certainty = trusted(ground.case, ground.device, at, "likely", side=SERVER)
    frames = ground.case.request_frames(rows.tolist())
    yield found(code, "fault", ground.device, text, at=at, evidence=frames, certainty=certainty)
