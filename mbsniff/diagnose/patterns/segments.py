"""Slow and missing replies, and a second look at the frames around them, in; what segments did to messages out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mbsniff.capture import Frame
from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.finding import Evidence, Finding
from mbsniff.diagnose.patterns.ground import Rows, span, trusted
from mbsniff.diagnose.patterns.pairing import WITH_REPLY
from mbsniff.diagnose.wording import between
from mbsniff.exchange import Look
from mbsniff.exchange.columns import SENT_AGAIN, STATUS_MASK, UNANSWERED
from mbsniff.measure import DeviceFigures
from mbsniff.wire.rows import SERVER

if TYPE_CHECKING:
    from mbsniff.wire.segment import Segment

AT_LEAST = 3
MOST_LOOKED_AT = 20  # transactions of a device
MOST_DEVICES = 200
MOST_FRAMES = 200  # from a request to its reply
# How long a receiver may put off an acknowledgement: below 500 ms (RFC 1122, 4.2.3.2); 40 and 200 ms from memory.
PLATEAUS_NS = ((35_000_000, 60_000_000), (180_000_000, 240_000_000))
PUT_OFF_NS = 30_000_000
RIGHT_AFTER_NS = 5_000_000


@dataclass(frozen=True)
class _Sample:
    """A device's transactions that are looked at again: slow ones; and requests, unanswered and answered."""

    device: DeviceFigures
    slow: Rows
    missing: Rows
    served: Rows


@dataclass(frozen=True)
class _Seen:
    """A frame that has a TCP segment."""

    ordinal: int
    time_ns: int
    segment: Segment


def segment_patterns(case: Case, look: Look | None) -> list[Finding]:
    """What only the frames themselves tell; nothing where they cannot be looked at again."""
    if look is None:
        return []
    samples = [s for d in case.figures.devices if (s := _sample(case, d)) is not None][:MOST_DEVICES]
    if not samples:
        return []
    frames = {frame.ordinal: frame for frame in look(_wanted(case, samples))}
    return [
        *(f for s in samples if (f := _stalled(case, s, frames)) is not None),
        *(f for s in samples if (f := _unread(case, s, frames)) is not None),
    ]


def _sample(case: Case, device: DeviceFigures) -> _Sample | None:
    """Where reply times or missing replies make it worth a look."""
    marks = (device.reply.median, device.reply.p95, device.reply.p99) if device.reply else ()
    plateau = any(low <= mark <= high for mark in marks for low, high in PLATEAUS_NS)
    lacking = device.statuses["unanswered"] >= AT_LEAST
    if not device.regular or not (plateau or lacking):
        return None
    exchange, rows = case.exchange, case.transactions(device)
    kinds = exchange.status[rows] & STATUS_MASK
    answered, waits = np.isin(kinds, WITH_REPLY), exchange.reply_ns[rows]
    slow = np.zeros(len(rows), bool)
    for low, high in PLATEAUS_NS if plateau else ():
        slow |= answered & (waits >= low) & (waits <= high)
    slow &= exchange.reply_frame[rows] - exchange.request_frame[rows] < MOST_FRAMES
    missing = (kinds == UNANSWERED) & ((exchange.status[rows] & SENT_AGAIN) == 0)
    if missing.sum() < AT_LEAST:
        missing[:] = False
    first = int(np.argmax(missing)) if missing.any() else 0
    served = rows[answered][max(int(np.count_nonzero(answered[:first])) - MOST_LOOKED_AT // 2, 0) :]
    made = _Sample(
        device, _few(rows[slow]), _few(rows[missing]), served[: MOST_LOOKED_AT if missing.any() else 0]
    )
    return made if len(made.slow) >= AT_LEAST or len(made.missing) else None


def _few(rows: Rows) -> Rows:
    """The first ones: the second look ends with the last of them."""
    return rows[:MOST_LOOKED_AT]


def _wanted(case: Case, samples: list[_Sample]) -> set[int]:
    exchange, wanted = case.exchange, set()
    for sample in samples:
        for row in sample.slow.tolist():
            wanted |= set(range(int(exchange.request_frame[row]), int(exchange.reply_frame[row]) + 1))
        both = np.concatenate([sample.missing, sample.served])
        wanted |= set(exchange.request_frame[both].tolist())
    return wanted


def _stalled(case: Case, sample: _Sample, frames: dict[int, Frame]) -> Finding | None:
    """Replies of which a part was there long before, and the rest came right after the acknowledgement of that."""
    if len(sample.slow) < AT_LEAST:
        return None
    rows, evidence = [], []
    for row in sample.slow.tolist():
        stall = _stall(_segments(case, row, frames))
        if stall:
            rows.append(row)
            evidence += stall
    if len(rows) < AT_LEAST or 2 * len(rows) < len(sample.slow):
        return None
    waits = np.sort(case.exchange.reply_ns[rows])
    text = (
        f"of {len(sample.slow)} replies looked at that took about 40 or 200 ms, {len(rows)} were begun at once, and "
        f"finished right after the master had acknowledged the first part ({between(int(waits[0]), int(waits[-1]))})"
    )
    told = [Evidence(*case.facts.place(seen.ordinal)) for seen in evidence[:6]]
    at = span(case.exchange.request_ns[rows])
    return found("small-segment-stall", "risk", sample.device, text, at=at, evidence=tuple(told))


def _segments(case: Case, row: int, frames: dict[int, Frame]) -> list[_Seen]:
    """The segments of one transaction's connection from its request to its reply."""
    first, last = int(case.exchange.request_frame[row]), int(case.exchange.reply_frame[row])
    seen = [_see(frames[o]) for o in range(first, last + 1) if o in frames]
    present = [one for one in seen if one is not None]
    if not present or present[-1].ordinal != last:
        return []
    ends = _ends(present[-1].segment)
    return [one for one in present if set(_ends(one.segment)) == set(ends)]


def _see(frame: Frame) -> _Seen | None:
    from mbsniff.wire.segment import read_segment  # loaded for a second look

    segment = read_segment(frame.data, frame.original_bytes, frame.link)
    return None if segment is None else _Seen(frame.ordinal, frame.time_ns, segment)


def _ends(segment: Segment) -> tuple[tuple[bytes, int], tuple[bytes, int]]:
    return (segment.source, segment.source_port), (segment.destination, segment.destination_port)


def _stall(seen: list[_Seen]) -> list[_Seen] | None:
    """The first part, the acknowledgement that was put off, and the rest; None where it was otherwise."""
    if len(seen) < 3:
        return None
    rest = seen[-1]
    sender = _ends(rest.segment)[0]
    before = [one for one in seen[:-1] if _ends(one.segment)[0] == sender and one.segment.size]
    parts = [one for one in before if one.segment.following == rest.segment.sequence]
    answers = [
        one
        for one in seen[:-1]
        if _ends(one.segment)[0] != sender and one.segment.acknowledgement == rest.segment.sequence
    ]
    if not parts or not answers:
        return None
    part, answer = parts[0], answers[0]
    if answer.time_ns - part.time_ns < PUT_OFF_NS or rest.time_ns - answer.time_ns > RIGHT_AFTER_NS:
        return None
    return [part, answer, rest]


def _unread(case: Case, sample: _Sample, frames: dict[int, Frame]) -> Finding | None:
    """Requests in two segments, none of which was answered, while those in one were."""
    missing = [_is_split(case, row, frames) for row in sample.missing.tolist()]
    served = [_is_split(case, row, frames) for row in sample.served.tolist()]
    if missing.count(True) < AT_LEAST or False in missing or True in served or served.count(False) < AT_LEAST:
        return None
    text = (
        f"all {len(missing)} unanswered requests looked at had come in more than one segment, all "
        f"{served.count(False)} answered ones in one; TCP took both"
    )
    at = span(case.exchange.request_ns[sample.missing])
    return found(
        "split-unread", "fault", sample.device, text, at=at,
        evidence=case.request_frames(sample.missing.tolist()),
        certainty=trusted(case, sample.device, at, "likely", side=SERVER),
    )  # fmt: skip


def _is_split(case: Case, row: int, frames: dict[int, Frame]) -> bool | None:
    """Whether the frame that completed a request holds only the end of it; None where that cannot be told."""
    frame = frames.get(int(case.exchange.request_frame[row]))
    seen = _see(frame) if frame else None
    if frame is None or seen is None or len(frame.data) < frame.original_bytes:
        return None
    return not seen.segment.messages
