"""Missing, late and refused replies, resent requests and second writers in, findings out."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Finding, Level
from mbsniff.diagnose.load import asked, places
from mbsniff.diagnose.wording import addresses, counted, duration, listed
from mbsniff.exchange.columns import LATE, NO_CODE, P_FIRST_NS, P_LAST_NS, RESENT, STATUS_MASK, UNANSWERED
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.measure.groups import WRITES
from mbsniff.site import DataTable
from mbsniff.wire.functions import EXCEPTIONS

FREQUENT = 20  # one in so many makes missing or late replies a fault
AT_LEAST = 3
MOST_REFUSED = 20  # refused requests whose end is looked for, however many there are
MOST_WRITERS = 20  # masters that are held against each other, likewise
FAULTY_CODES = (0x04, 0x0A, 0x0B)  # the device failed, or is not there behind its gateway


_Span = tuple[str, int, int]  # "coil" or "register", first, end


def reply_findings(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """All that is found of how a device answers and who writes to it."""
    if device.regular:
        yield from _missing(case, device)
        yield from _late(case, device)
    yield from _exceptions(case, device)
    yield from _resent(case, device)
    yield from _second_writer(case, device)


def _with_status(case: Case, device: DeviceFigures, status: int) -> NDArray[np.int32]:
    rows = case.transactions(device)
    return np.asarray(rows[(case.exchange.status[rows] & STATUS_MASK) == status], np.int32)


def _level(count: int, of: int) -> Level:
    return "fault" if count >= AT_LEAST and count * FREQUENT >= of else "risk"


def _times(case: Case, rows: NDArray[np.int32]) -> tuple[int, int]:
    first, last = case.exchange.request_ns[rows[[0, -1]]].tolist()
    return first, last


def _missing(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if not device.statuses["unanswered"]:
        return
    rows = _with_status(case, device, UNANSWERED)
    acked = int(np.count_nonzero(case.exchange.ack_ns[rows] >= 0))
    text = f"{counted(len(rows), 'request')} of {device.requests:,} without a reply"
    text += f", {acked} of them acknowledged by the device's TCP" if acked else ""
    habits = [h for h in case.endpoint(device).habits if h.timeout_ns is not None]
    if habits:
        text += "; " + listed(
            [f"{case.master_name(h.master)} went on after {duration(h.timeout_ns or 0)}" for h in habits]
        )
    yield found(
        "no-reply", _level(len(rows), device.requests), device, text, at=_times(case, rows),
        evidence=case.request_frames(rows.tolist()),
    )  # fmt: skip


def _late(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if not device.statuses["late"]:
        return
    rows = _with_status(case, device, LATE)
    slowest = int(case.exchange.reply_ns[rows].max())
    text = f"{counted(len(rows), 'reply', 'replies')} after the master had gone on"
    text += f", the slowest after {duration(slowest)}"
    yield found(
        "late-reply", _level(len(rows), device.answered), device, text, at=_times(case, rows),
        evidence=case.reply_frames(rows.tolist()),
    )  # fmt: skip


def _exceptions(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """One finding an exception code, with the requests that met it."""
    by_code: dict[int, list[PollFigures]] = {}
    for poll in device.polls:
        for code in case.figures.exceptions_by_poll.get(poll.row, {}):
            by_code.setdefault(code, []).append(poll)
    for code, polls in sorted(by_code.items()):
        rows = case.transactions(device)
        own = rows[case.exchange.exception[rows] == code]
        kind = EXCEPTIONS.get(code)
        name = f"{code:02X} {kind.name}" if kind else "without a code" if code == NO_CODE else f"{code:02X}"
        requests = listed([f"{asked(p, device)} by {case.master_name(p.master)}" for p in polls], 3)
        text = f"{counted(len(own), 'exception')} {name} to {requests}{_edge(case, device, code, polls)}"
        yield found(
            "exception-reply", "fault" if code in FAULTY_CODES else "risk", device, text,
            at=_times(case, own), evidence=case.reply_frames(own.tolist()),
            advice=_meaning(code),
        )  # fmt: skip


def _meaning(code: int) -> str | None:
    """What the exception means for whoever has to mend it, as a sentence."""
    kind = EXCEPTIONS.get(code)
    return f"{kind.meaning[0].upper()}{kind.meaning[1:]}." if kind else None


def _edge(case: Case, device: DeviceFigures, code: int, polls: list[PollFigures]) -> str:
    """Where a refused block overlaps one that is served, its end lies beyond the device's addresses."""
    if code != 2:
        return ""
    served = [
        p
        for p in device.polls
        if p.answered and not case.figures.exceptions_by_poll.get(p.row) and p.start is not None
    ]
    for refused in polls[:MOST_REFUSED]:
        for good in served:
            if good.function == refused.function and _begins_within(refused, good):
                fine = places(good, device)
                return f"; {fine} is served, so the block reaches beyond the device's addresses"
    return ""


def _begins_within(refused: PollFigures, good: PollFigures) -> bool:
    if refused.start is None or good.start is None:
        return False
    end = good.start + (good.quantity or 1)
    return good.start <= refused.start < end < refused.start + (refused.quantity or 1)


def _resent(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if not device.resent:
        return
    rows = case.transactions(device)
    rows = rows[(case.exchange.status[rows] & RESENT) != 0]
    writes = sum(
        1 for row in rows.tolist() if case.exchange.poll_key(case.exchange.poll[row]).function in WRITES
    )
    text = f"{counted(len(rows), 'request')} sent again as a new message"
    text += f", {writes} of them writes" if writes else ""
    yield found(
        "resent-request", "risk", device, text, at=_times(case, rows),
        evidence=case.request_frames(rows.tolist()),
    )  # fmt: skip


def _second_writer(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """Two masters that write the same place while both are at work; one that follows the other took over."""
    writes: dict[str, list[PollFigures]] = {}
    for poll in device.polls:
        if _written(poll):
            writes.setdefault(poll.master, []).append(poll)
    for one, other in combinations(list(writes)[:MOST_WRITERS], 2):
        begun, ended = _both_at_work(case, device, one, other)
        shared = _shared(writes[one], writes[other])
        if begun > ended or not shared:
            continue
        polls = {m: [p for p in writes[m] if _touches(p, shared)] for m in (one, other)}
        rows = case.transactions(device)
        own = [poll.row for each in polls.values() for poll in each]
        rows = rows[np.isin(case.exchange.poll[rows], own)]
        who = [f"{case.master_name(m)} ({counted(sum(p.count for p in polls[m]), 'time')})" for m in polls]
        what = [_span(span, device) for span in shared]
        text = f"{who[0]} and {who[1]} both write {listed(what)}"
        yield found(
            "second-writer", "risk", device, text, at=_times(case, rows),
            evidence=case.request_frames(rows.tolist()),
        )  # fmt: skip


def _span(span: _Span, device: DeviceFigures) -> str:
    kind, first, end = span
    table: DataTable = "coil" if kind == "coil" else "holding"
    return f"{kind}{'s' * (end - first > 1)} {addresses(first, end - first, table, device.limits.numbering)}"


def _both_at_work(case: Case, device: DeviceFigures, one: str, other: str) -> tuple[int, int]:
    """From when until when both masters sent requests to the device; the end before the beginning if never."""
    spans = []
    for master in (one, other):
        polls = case.exchange.polls[[p.row for p in device.polls if p.master == master]]
        spans.append((int(polls[:, P_FIRST_NS].min()), int(polls[:, P_LAST_NS].max())))
    return max(s[0] for s in spans), min(s[1] for s in spans)


def _shared(one: list[PollFigures], other: list[PollFigures]) -> list[_Span]:
    """The coils and registers that polls of both lists write: apart from each other, by address."""
    marks = sorted(
        (span, side) for side, polls in enumerate((one, other)) for span in map(_written, polls) if span
    )
    reach = [("", 0), ("", 0)]  # of each side, to where its polls write so far
    found: list[_Span] = []
    for (kind, first, end), side in marks:
        facing = reach[1 - side]
        if facing > (kind, first):
            last = min(end, facing[1])
            if found and found[-1][0] == kind and first <= found[-1][2]:
                _, first, before = found.pop()
                last = max(last, before)
            found.append((kind, first, last))
        reach[side] = max(reach[side], (kind, end))
    return found


def _touches(poll: PollFigures, spans: list[_Span]) -> bool:
    kind, first, end = _written(poll) or ("", 0, 0)
    place = bisect_left(spans, (kind, end)) - 1
    return place >= 0 and spans[place][0] == kind and spans[place][2] > first


def _written(poll: PollFigures) -> _Span | None:
    """("coil" or "register", first, end) of what a poll writes, None if nothing, or files (21)."""
    start, quantity = poll.start, poll.quantity
    if poll.function == 23:
        start, quantity = poll.write_start, poll.write_quantity
    if start is None or poll.function not in WRITES or poll.function == 21:
        return None
    return "coil" if poll.function in (5, 15) else "register", start, start + (quantity or 1)
