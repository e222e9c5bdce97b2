"""The end of a silence in, the first reply and the first full round of polls from then on out."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery.facts import Step
from mbsniff.diagnose.scene import Rows
from mbsniff.exchange import well_answered
from mbsniff.measure import DeviceFigures

ACTIVE_PERIODS = (
    3  # a poll that was asked within so many of its periods before a silence belongs to the round
)


def rows_since(case: Case, device: DeviceFigures, from_ns: int) -> Rows:
    """The device's requests from a time on, in time order."""
    ends_ns = (case.facts.ends_ns or from_ns) + 1
    return case.requests_between(np.array([device.index], np.int64), from_ns, max(ends_ns, from_ns))


def first_reply(case: Case, rows: Rows) -> Step | None:
    """The earliest normal reply to any of these requests."""
    answered = well_answered(case.exchange, rows)
    if not len(answered):
        return None
    ends = case.exchange.request_ns[answered] + case.exchange.reply_ns[answered]
    k = int(ends.argmin())
    row = int(answered[k])
    return Step(int(ends[k]), row, case.reply_frames([row])[0])


def active_polls(case: Case, device: DeviceFigures, at_ns: int) -> list[int]:
    """Rows of the device's cyclic polls that were being asked at a time."""
    cyclic = {p.row: p.period.median for p in device.polls if p.kind == "cyclic" and p.period}
    if not cyclic:
        return []
    span_ns = ACTIVE_PERIODS * max(cyclic.values())
    own = np.array([device.index], np.int64)
    rows = case.requests_between(own, at_ns - span_ns, at_ns + 1)
    polls, times = case.exchange.poll[rows].tolist(), case.exchange.request_ns[rows].tolist()
    last = dict(zip(polls, times, strict=True))
    return [
        row
        for row, period_ns in cyclic.items()
        if at_ns - last.get(row, -(2**62)) <= ACTIVE_PERIODS * period_ns
    ]


def full_round(case: Case, rows: Rows, polls: list[int]) -> Step | None:
    """The request by which each of the polls had been asked; None where one of them was not."""
    found, first = np.unique(case.exchange.poll[rows], return_index=True)
    own = first[np.isin(found, polls)]
    if not polls or len(own) < len(polls):
        return None
    row = int(rows[own.max()])
    return Step(int(case.exchange.request_ns[row]), row, case.request_frames([row])[0])
