"""A device's transactions in one recording in, what happened when out: columns that blocks of time are made of.

Times are nanoseconds after the recording's first frame; definitions are those of DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose import Diagnosis
from mbsniff.exchange import PollKey
from mbsniff.exchange.columns import (
    ANSWERED,
    CHANGED,
    LATE,
    MISADDRESSED,
    ORPHAN,
    RESENT,
    STATUS_MASK,
    UNANSWERED,
)
from mbsniff.measure import DeviceFigures
from mbsniff.measure.feeds import BEYOND_GATEWAY
from mbsniff.measure.groups import READS, Groups, is_orphan
from mbsniff.measure.load import SECOND_NS, TEN_SECONDS_NS
from mbsniff.measure.silences import feeding_polls, limit_ns

Times = NDArray[np.int64]
REGISTER_READS = (3, 4, 23)
NEAR = (4, 5)  # a silence beyond four fifths of the timeout left less than a fifth: `watchdog-close`


@dataclass(frozen=True)
class Series:
    """All of one device in one recording; arrays of one entry have the same shape, times ascend."""

    span_ns: int
    requests_ns: Times
    """When each request was seen, orphan replies left out."""
    amounts: dict[str, NDArray[np.int64]]
    """What each request counts: 1 or 0, or registers."""
    silences_ns: tuple[Times, Times]
    """When each silence begins, and its simple length."""
    silence_counts: dict[str, NDArray[np.bool_]]
    """Which silences count as near the timeout, and which as due."""
    open_end_due: bool
    """Whether the silence that the recording's end cuts was due for certain."""
    windows: dict[str, tuple[Times, Times]]
    """When windows begin, and how many reads each holds."""
    lengths: dict[str, tuple[Times, Times]]
    """When answered requests were seen, and their reply or service times."""

    def counts(self, name: str) -> tuple[Times, NDArray[np.int64]]:
        """When requests were seen, or silences begin, and how much each counts under this name."""
        if name in self.amounts:
            return self.requests_ns, self.amounts[name]
        return self.silences_ns[0], self.silence_counts[name].astype(np.int64)


def series_of(diagnosis: Diagnosis, device: DeviceFigures, services: Times) -> Series:
    """The device's columns; ``services`` are those of `service_times`."""
    groups, exchange = diagnosis.figures.groups, diagnosis.exchange
    starts_ns = diagnosis.facts.starts_ns or 0
    rows = groups.transactions(device.index)
    rows = rows[(exchange.status[rows] & STATUS_MASK) != ORPHAN]
    times = exchange.request_ns[rows] - starts_ns
    kinds = exchange.status[rows] & STATUS_MASK
    answered = (kinds >= ANSWERED) & (kinds <= LATE)
    reads, registers = _poll_amounts(groups, device.index)
    reading = reads[exchange.poll[rows]]
    amounts = {
        "requests": np.ones(len(rows), np.int64),
        "reads": reading,
        "registers": registers[exchange.poll[rows]],
        "unanswered": (kinds == UNANSWERED).astype(np.int64),
        "late": (kinds == LATE).astype(np.int64),
        "resent": ((exchange.status[rows] & RESENT) != 0).astype(np.int64),
        "exceptions": (exchange.exception[rows] != 0).astype(np.int64),
    }
    silences, counts = _silences(diagnosis, device, rows, times)
    asked = times[reading > 0]
    answers = rows[answered]
    return Series(
        span_ns=diagnosis.facts.span_ns,
        requests_ns=times,
        amounts=amounts,
        silences_ns=silences,
        silence_counts=counts,
        open_end_due=device.silences.end_is_due == "certain",
        windows={
            "second": _windows(asked, SECOND_NS, diagnosis.facts.span_ns),
            "ten_seconds": _windows(asked, TEN_SECONDS_NS, diagnosis.facts.span_ns),
        },
        lengths={
            "reply": (times[answered], np.maximum(exchange.reply_ns[answers], 0)),
            "service": (times[answered], services[answers]),
        },
    )


def _poll_amounts(groups: Groups, device: int) -> tuple[Times, Times]:
    """For every poll, filled where it is the device's: whether it reads, and how many registers."""
    table = np.zeros((2, len(groups.keys)), np.int64)
    for row in groups.polls_of_device[device]:
        key = groups.keys[row]
        if not is_orphan(key):
            table[:, row] = key.function in READS, _registers(key)
    return table[0], table[1]


def _registers(key: PollKey) -> int:
    return max(key.quantity, 0) if key.function in REGISTER_READS else 0


def _windows(asked: Times, width_ns: int, span_ns: int) -> tuple[Times, Times]:
    """Windows that begin with a read and lie within the recording: when, and how many reads each holds."""
    ends = np.searchsorted(asked, asked + width_ns)
    whole = asked + width_ns <= span_ns
    return asked[whole], (ends - np.arange(len(asked)))[whole]


def _silences(
    diagnosis: Diagnosis, device: DeviceFigures, rows: NDArray[np.int32], times: Times
) -> tuple[tuple[Times, Times], dict[str, NDArray[np.bool_]]]:
    """Begins and simple lengths of the complete silences; which are near the timeout, which due for certain."""
    exchange = diagnosis.exchange
    fed = _feeds(diagnosis, device, rows)
    feeds = times[fed]
    delivered = np.maximum.accumulate(feeds + np.maximum(exchange.reply_ns[rows[fed]], 0))
    lengths = np.diff(feeds)
    shortest = np.maximum(feeds[1:] - delivered[:-1], 0)
    timeout, limit = device.limits.watchdog_ns, limit_ns(device.limits)
    none = np.zeros(len(lengths), np.bool_)
    due = shortest > limit if limit is not None else none
    due[np.isin(rows[fed][:-1], [s.before for s in device.silences.beyond if s.certain])] = True
    return (feeds[:-1], lengths), {
        "near": NEAR[1] * lengths > NEAR[0] * timeout if timeout else none,
        "due": due,
    }


def _feeds(diagnosis: Diagnosis, device: DeviceFigures, rows: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which of the transactions feed the watchdog (as `mbsniff.measure.feeds.feed_of`, by columns)."""
    groups, exchange = diagnosis.figures.groups, diagnosis.exchange
    limits = device.limits
    flags = np.zeros(len(groups.keys), np.bool_)
    flags[groups.polls_of_device[device.index]] = feeding_polls(groups, diagnosis.site, device.index, limits)
    marks, codes = exchange.status[rows], exchange.exception[rows]
    feeds = flags[exchange.poll[rows]]
    if limits.fed_by.change:
        feeds &= (marks & CHANGED) != 0
    if limits.fed_by.kind == "reply":
        kinds = marks & STATUS_MASK
        by_gateway = (codes == BEYOND_GATEWAY) | (codes == BEYOND_GATEWAY + 1)
        confirms = (codes == 0) | (~by_gateway if limits.exceptions_feed else False)
        feeds &= (kinds >= ANSWERED) & (kinds <= LATE) & confirms
    return feeds


def service_times(diagnosis: Diagnosis) -> Times:
    """Service time of every answered transaction of the recording, -1 elsewhere; shape (transactions,)."""
    groups, exchange = diagnosis.figures.groups, diagnosis.exchange
    services = np.full(len(exchange.poll), -1, np.int64)
    count = len(groups.devices)
    firsts = [i for i in range(count) if i == 0 or _endpoint(groups, i) != _endpoint(groups, i - 1)]
    for first, after in pairwise([*firsts, count]):
        _serve(diagnosis, groups.order[groups.bounds[first] : groups.bounds[after]], services)
    return services


def _endpoint(groups: Groups, device: int) -> tuple[str, int]:
    return groups.devices[device].address, groups.devices[device].port


def _serve(diagnosis: Diagnosis, rows: NDArray[np.int32], services: Times) -> None:
    """Fill in an endpoint's service times: reply − the later of request and the reply before it."""
    exchange = diagnosis.exchange
    times = exchange.request_ns[rows]
    if (times[1:] < times[:-1]).any():  # devices lie one after the other
        rows = rows[np.argsort(times, kind="stable")]
    kinds = exchange.status[rows] & STATUS_MASK
    rows = rows[((kinds >= ANSWERED) & (kinds <= MISADDRESSED)) | (kinds == ORPHAN)]
    frames = exchange.reply_frame[rows]
    if (frames[1:] < frames[:-1]).any():
        rows = rows[np.argsort(frames, kind="stable")]
    asked = exchange.request_ns[rows]
    replied = asked + np.maximum(exchange.reply_ns[rows], 0)
    free = asked.copy()
    free[1:] = np.maximum(asked[1:], replied[:-1])
    services[rows] = np.maximum(replied - free, 0)
