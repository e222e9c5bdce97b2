"""A device's transactions in, moments out: without a reply, late, slow, exceptions, and what else was asked."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.diagnose.wording import between, counted
from mbsniff.exchange.columns import BROADCAST, LATE, MISADDRESSED, OPEN, UNANSWERED, UNKNOWN
from mbsniff.measure.groups import WRITES
from mbsniff.story.moments import LENGTH, Moment
from mbsniff.story.names import asked_for, called, master_called
from mbsniff.story.scope import HEALTHY, Rows, Scope
from mbsniff.wire.functions import exception_name

SLOW_TIMES, SLOW_NS = 5, 50_000_000  # common practice: slower than both tells of a device with much to do
SPANNING = 0.2  # of the silence: requests that span less of it are only its last ones

STATUSES = {
    LATE: "late-reply", UNKNOWN: "not-recorded", OPEN: "open", UNANSWERED: "no-reply", MISADDRESSED: "no-reply",
}  # fmt: skip


def request_moments(scope: Scope) -> Iterator[Moment]:
    """Every request that did not simply go well, from a few seconds before to a few after."""
    rows = scope.rows(scope.lead_ns, scope.tail_ns)
    reply = scope.device.reply
    usual_ns = reply.median if reply else 0
    slow_ns = max(SLOW_TIMES * usual_ns, SLOW_NS)
    exchange = scope.case.exchange
    if scope.silence is not None and scope.silence.before != scope.last:
        rows = rows[rows != scope.silence.before]  # a mark tells of it
    told = np.isin(scope.kinds(rows), list(STATUSES)) | (exchange.exception[rows] != 0)
    rows = rows[told | (exchange.reply_ns[rows] > slow_ns)]
    for row, status in zip(rows.tolist(), scope.kinds(rows).tolist(), strict=True):
        code = int(exchange.exception[row])
        if status in STATUSES:
            kind = STATUSES[status]
            if status == UNANSWERED and exchange.ack_ns[row] >= 0:
                kind = "taken-no-reply"
            length_ns = int(exchange.reply_ns[row]) if status == LATE else None
            yield _moment(scope, row, kind, length_ns=length_ns)
        elif code:
            yield _exception(scope, row, code)
        elif status in HEALTHY and exchange.reply_ns[row] > slow_ns:
            what = f"{LENGTH} (usually {between(usual_ns, usual_ns)})"
            yield _moment(scope, row, "slow-reply", what=what, length_ns=int(exchange.reply_ns[row]))


def _exception(scope: Scope, row: int, code: int) -> Moment:
    key = scope.case.exchange.poll_key(int(scope.case.exchange.poll[row]))
    name = f"exception {code:02X} {exception_name(code)}" if code < 0xFF else "an exception"
    if key.function in WRITES:
        return _moment(scope, row, "refused-write", what=f"{asked_for(key, scope.registers)}: {name}")
    return _moment(scope, row, "exception", what=name)


def _moment(
    scope: Scope, row: int, kind: str, *, what: str | None = None, length_ns: int | None = None
) -> Moment:
    exchange = scope.case.exchange
    key = exchange.poll_key(int(exchange.poll[row]))
    frames = (int(exchange.request_frame[row]), int(exchange.reply_frame[row]))
    return Moment(
        kind, int(exchange.request_ns[row]), tuple(dict.fromkeys(frames)),
        master_called(scope.case, exchange.pairs[key.pair].client), called(scope.device),
        asked_for(key, scope.registers) if what is None else what, length_ns=length_ns,
    )  # fmt: skip


def healthy_moments(scope: Scope) -> Iterator[Moment]:
    """What each master asked the device meanwhile, and got answered."""
    from_ns = scope.from_ns + (1 if scope.silence else 0)
    until_ns = scope.silence.until_ns if scope.silence else scope.until_ns
    rows = scope.rows(from_ns, until_ns)
    rows = rows[rows != scope.silence.before] if scope.silence else rows
    rows = rows[
        np.isin(scope.kinds(rows), (*HEALTHY, BROADCAST)) & (scope.case.exchange.exception[rows] == 0)
    ]
    masters = scope.master_of_poll[scope.case.exchange.poll[rows]]
    for master in np.unique(masters).tolist():
        yield _healthy(scope, rows[masters == master], master, until_ns - from_ns)


def _healthy(scope: Scope, rows: Rows, master: int, length_ns: int) -> Moment:
    exchange = scope.case.exchange
    first_ns, last_ns = int(exchange.request_ns[rows[0]]), int(exchange.request_ns[rows[-1]])
    name = master_called(scope.case, scope.case.figures.groups.masters[master])
    count = counted(len(rows), "request")
    if scope.silence is None:
        replies = exchange.reply_ns[rows]
        what = f"{count} answered in time, after {between(int(replies.min()), int(replies.max()))}"
        return Moment("asked-now", first_ns, _frames(scope, rows), name, called(scope.device), what, last_ns)
    feeding = [poll.row for poll in scope.device.polls if poll.feeds]
    is_feed = np.isin(exchange.poll[rows], feeding).any()
    feeds = "" if is_feed else ", none of them one that feeds this watchdog"
    if is_feed and scope.master is not None:
        feeds = ", which kept the watchdog fed"
    spans = last_ns - first_ns >= SPANNING * length_ns
    kind = "asked" if spans else "asked-last"
    return Moment(
        kind, first_ns, _frames(scope, rows), name, called(scope.device),
        f"{count}, {'all answered' if len(rows) > 1 else 'answered'}{feeds}", last_ns,
    )  # fmt: skip


def _frames(scope: Scope, rows: Rows) -> tuple[int, ...]:
    frame = scope.case.exchange.request_frame
    return tuple(dict.fromkeys((int(frame[rows[0]]), int(frame[rows[-1]]))))
