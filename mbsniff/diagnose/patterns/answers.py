"""How a device answers: statuses, exceptions and values of its transactions in, findings out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Finding, Level
from mbsniff.diagnose.load import asked, places
from mbsniff.diagnose.patterns.ground import SECOND_NS, Rows, runs, span, trusted
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import (
    BY_ORDER,
    CHANGED,
    LATE,
    NOT_THE_SHAPE,
    ORPHAN,
    STATUS_MASK,
)
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.wire.functions import FUNCTIONS

LOCKSTEP = 5  # late replies in a row
AT_LEAST = 3
FEW_ANSWERED = 10
CHANGING, FROZEN = 20, 10  # writes in a row
AT_ONCE_NS = 50_000_000  # common practice: no serial line is asked in vain in less
NO_ADDRESS, PATH, TARGET, BUSY = 0x02, 0x0A, 0x0B, 0x06  # V1.1b3, 7
BUSY_AT_LEAST, BUSIER = 5, 1.3


def answer_patterns(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """All patterns that one device's transactions show."""
    yield from _lockstep(case, device)
    yield from _fixed_identifier(case, device)
    yield from _wrong_length(case, device)
    if device.regular:
        yield from _gateway(case, device)
    yield from _busy(case, device)
    yield from _edge(case, device)
    yield from _frozen(case, device)


def _requests(case: Case, device: DeviceFigures) -> Rows:
    rows = case.transactions(device)
    return np.asarray(rows[(case.exchange.status[rows] & STATUS_MASK) != ORPHAN], np.int32)


def _lockstep(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if device.statuses["late"] < LOCKSTEP:
        return
    rows = _requests(case, device)
    masters = case.figures.groups.master_of_poll[case.exchange.poll[rows]]
    for master in np.unique(masters).tolist():
        own = rows[masters == master]
        late = (case.exchange.status[own] & STATUS_MASK) == LATE
        longest = max(runs(late), key=lambda run: run[1] - run[0], default=(0, 0))
        step = own[longest[0] : longest[1]]
        if len(step) < LOCKSTEP:
            continue
        slowest = int(case.exchange.reply_ns[step].max())
        who = case.master_name(case.figures.groups.masters[master])
        text = (
            f"{len(step)} replies in a row reached {who} only after its next request, the slowest after "
            f"{duration(slowest)}"
        )
        at = span(case.exchange.request_ns[step])
        frames = case.reply_frames(step.tolist())
        yield found("late-lockstep", "fault", device, text, at=at, evidence=frames)


def _fixed_identifier(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    count = device.statuses["by-order"]
    if count < FEW_ANSWERED or count * 10 < device.answered * 9:
        return
    rows = _requests(case, device)
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) == BY_ORDER]
    rows = rows[~case.serial_pairs[case.figures.groups.pair_of_poll[case.exchange.poll[rows]]]]
    if len(rows) < FEW_ANSWERED:
        return
    doubtful = device.statuses["unanswered"] + device.statuses["unknown"] + device.statuses["late"]
    text = f"{len(rows)} of {device.answered} answered requests bear the identifier of the request before"
    if doubtful:
        text += f"; where {counted(doubtful, 'reply', 'replies')} failed to come in time, the next may be the old one"
    at = span(case.exchange.request_ns[rows])
    frames = case.request_frames(rows.tolist())
    level: Level = "risk" if doubtful else "remark"
    yield found("fixed-identifier", level, device, text, at=at, evidence=frames)


def _wrong_length(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    if not case.any_wrong_shape:
        return
    rows = case.transactions(device)
    rows = rows[(case.exchange.status[rows] & NOT_THE_SHAPE) != 0]
    if not len(rows):
        return
    text = f"{counted(len(rows), 'exchange')} with a message whose length or byte count does not fit its function"
    at = span(case.exchange.request_ns[rows])
    yield found(
        "wrong-length", "fault" if len(rows) >= AT_LEAST else "risk", device, text, at=at,
        evidence=case.reply_frames(rows.tolist()), certainty=trusted(case, device, at, "certain"),
    )  # fmt: skip


def _with_code(case: Case, device: DeviceFigures, code: int) -> Rows:
    rows = case.transactions(device)
    return np.asarray(rows[case.exchange.exception[rows] == code], np.int32)


def _gateway(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """What a gateway says of a unit behind it, and how long it took to say it."""
    if device.exceptions.get(TARGET, 0) >= AT_LEAST:
        rows = _with_code(case, device, TARGET)
        delays = np.sort(case.exchange.reply_ns[rows])
        middle = int(delays[len(delays) // 2])
        alike = int(np.count_nonzero(np.abs(delays - middle) * 10 <= middle))
        if middle >= AT_ONCE_NS and alike * 10 >= len(delays) * 9:
            text = f"the gateway gave up {counted(len(rows), 'time')} on this unit, each time after {duration(middle)}"
            yield _told(case, "target-silent", device, rows, text)
    if device.exceptions.get(PATH, 0) >= AT_LEAST:
        rows = _with_code(case, device, PATH)
        middle = int(np.sort(case.exchange.reply_ns[rows])[len(rows) // 2])
        if middle < AT_ONCE_NS:
            text = f"the gateway refused {counted(len(rows), 'request')} at once (after {duration(middle)})"
            yield _told(case, "gateway-path", device, rows, text)


def _told(case: Case, code: str, device: DeviceFigures, rows: Rows, text: str) -> Finding:
    at = span(case.exchange.request_ns[rows])
    return found(code, "fault", device, text, at=at, evidence=case.reply_frames(rows.tolist()))


def _busy(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """Seconds with a busy reply against those without: how many requests, of how many masters."""
    if device.exceptions.get(BUSY, 0) < BUSY_AT_LEAST:
        return
    rows = _requests(case, device)
    seconds = case.exchange.request_ns[rows] // SECOND_NS
    seconds = np.asarray(seconds - seconds.min(), np.int64)
    masters = case.figures.groups.master_of_poll[case.exchange.poll[rows]]
    busy = case.exchange.exception[rows] == BUSY
    present, inverse, counts = np.unique(seconds, return_inverse=True, return_counts=True)
    both = np.unique(np.stack([inverse, masters]), axis=1)
    asking = np.bincount(both[0], minlength=len(present))
    hit = np.bincount(inverse, weights=busy, minlength=len(present)) > 0
    if hit.all() or np.count_nonzero(~hit) < BUSY_AT_LEAST:
        return
    rate, calm = float(counts[hit].mean()), float(counts[~hit].mean())
    more, fewer = float(asking[hit].mean()), float(asking[~hit].mean())
    if rate < BUSIER * calm and more < fewer + 0.5:
        return
    own = rows[busy]
    text = (
        f"{counted(len(own), 'busy reply', 'busy replies')}, in seconds with {rate:.1f} requests of {more:.1f} masters "
        f"on average; the seconds without any had {calm:.1f} of {fewer:.1f}"
    )
    at = span(case.exchange.request_ns[own])
    frames = case.reply_frames(own.tolist())
    yield found("busy-with-load", "risk", device, text, at=at, evidence=frames, certainty="likely")


def _edge(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """A block that is always refused with 02 beside a shorter one from the same start that is served."""
    if not device.exceptions.get(NO_ADDRESS):
        return
    refused_by = case.figures.exceptions_by_poll
    served: dict[tuple[int, int], int] = {}
    for poll in device.polls:
        if poll.start is not None and poll.answered and poll.row not in refused_by:
            place = (poll.function, poll.start)
            served[place] = max(served.get(place, 0), poll.quantity or 1)
    for poll in device.polls:
        refusals = refused_by.get(poll.row, {}).get(NO_ADDRESS, 0)
        if poll.start is None or not refusals or refusals < poll.answered:
            continue
        good = served.get((poll.function, poll.start), 0)
        if 0 < good < (poll.quantity or 1):
            yield _over_edge(case, device, poll, good)


def _over_edge(case: Case, device: DeviceFigures, poll: PollFigures, good: int) -> Finding:
    rows = case.transactions(device)
    rows = rows[case.exchange.poll[rows] == poll.row]
    over = (poll.quantity or 1) - good
    text = (
        f"{asked(poll, device)} by {case.master_name(poll.master)} is refused each time "
        f"({counted(poll.count, 'time')}), {places(replace(poll, quantity=good), device)} is served"
    )
    text += "; it is over by one" if over == 1 else ""
    at = span(case.exchange.request_ns[rows])
    certainty = trusted(case, device, at, "certain" if over == 1 else "likely")
    frames = case.reply_frames(rows.tolist())
    return found("block-edge", "risk", device, text, at=at, evidence=frames, certainty=certainty)


def _frozen(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """A written value that changed each time, and then no more."""
    for poll in device.polls:
        if poll.changes < CHANGING or poll.count < poll.changes + FROZEN:
            continue
        rows = case.transactions(device)
        rows = rows[case.exchange.poll[rows] == poll.row]
        still = _freezes(case.exchange.status[rows])
        if still is None:
            continue
        own = rows[still[0] : still[1]]
        name = FUNCTIONS[poll.function].name if poll.function in FUNCTIONS else f"function {poll.function}"
        length = int(case.exchange.request_ns[own[-1]] - case.exchange.request_ns[own[0]])
        text = (
            f"{name} {places(poll, device)} by {case.master_name(poll.master)} brought another value "
            f"each time, then the same one {len(own)} times ({duration(length)})"
        )
        at = span(case.exchange.request_ns[own])
        frames = case.request_frames(own.tolist())
        certainty = trusted(case, device, at, "likely")
        yield found("life-sign-frozen", "risk", device, text, at=at, evidence=frames, certainty=certainty)


def _freezes(status: NDArray[np.uint8]) -> tuple[int, int] | None:
    """The longest stretch of unchanged values that follows one in which each value was another."""
    changed = (status & CHANGED) != 0
    busy = [run for run in runs(changed) if run[1] - run[0] >= CHANGING]
    still = [run for run in runs(~changed) if run[1] - run[0] >= FROZEN]
    after = [run for run in still if any(begin_end[1] == run[0] for begin_end in busy)]
    return max(after, key=lambda run: run[1] - run[0], default=None)
