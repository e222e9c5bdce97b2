"""A device's transactions in, figures of each of its polls out: periods and kinds."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import P_ANSWERED, P_CHANGES, P_COUNT
from mbsniff.measure.figures import PollFigures, Quantiles
from mbsniff.measure.groups import WRITES, Groups, is_orphan
from mbsniff.measure.quantiles import quantiles_apart
from mbsniff.measure.transactions import Taken

LEAST_INTERVALS = 4  # for a poll to be called cyclic
LEAST_WRITES = 3  # for one to be called on change


def poll_figures(
    groups: Groups, device: int, feeds: list[bool], taken: Taken, room: NDArray[np.int64], *, compiled: bool
) -> list[PollFigures]:
    """Figures of the device's polls, by master, function, addresses.

    ``feeds`` has an entry for each of them, in the groups' order; ``taken`` is the device's, whose intervals may be
    reordered. ``room``, which is changed, has space for as many as these.
    """
    periods = quantiles_apart(taken.intervals_ns, taken.stretches, room, compiled=compiled)
    measured = zip(groups.polls_of_device[device], feeds, taken.stretches, periods, strict=True)
    ranked = sorted((_rank(groups, one[0]), *one) for one in measured if not is_orphan(groups.keys[one[0]]))
    return [
        _poll(groups, row, fed, taken.intervals_ns[begin:end], period)
        for _, row, fed, (begin, end), period in ranked
    ]


def _rank(groups: Groups, row: int) -> tuple[int, ...]:
    key = groups.keys[row]
    addresses = (key.start, key.quantity, key.write_start, key.write_quantity)
    return int(groups.master_of_poll[row]), key.function, *addresses


def _poll(
    groups: Groups, row: int, feeds: bool, intervals: NDArray[np.int64], period: Quantiles | None
) -> PollFigures:
    key = groups.keys[row]
    figures = groups.exchange.polls[row].tolist()
    count, changes = figures[P_COUNT], figures[P_CHANGES]
    return PollFigures(
        row=row,
        master=groups.masters[groups.master_of_poll[row]],
        function=key.function,
        start=_or_none(key.start),
        quantity=_or_none(key.quantity),
        write_start=_or_none(key.write_start),
        write_quantity=_or_none(key.write_quantity),
        count=count,
        answered=figures[P_ANSWERED],
        changes=changes,
        feeds=feeds,
        kind=_kind(key.function, count, changes, intervals, period),
        period=period,
    )


def _or_none(value: int) -> int | None:
    return value if value >= 0 else None


def _kind(
    function: int, count: int, changes: int, intervals: NDArray[np.int64], period: Quantiles | None
) -> Literal["cyclic", "on change", "sporadic"]:
    """By the spread of its intervals, and, of writes, by whether each brings another value."""
    if period and len(intervals) >= LEAST_INTERVALS and _is_regular(intervals, period):
        return "cyclic"
    if function in WRITES and count >= LEAST_WRITES and 10 * changes >= 9 * (count - 1):
        return "on change"
    return "sporadic"


def _is_regular(intervals: NDArray[np.int64], period: Quantiles) -> bool:
    """Whether 8 in 10 intervals or more are near the median; 9 in 10 lie between the 5th and 95th percentile."""
    least, most = -(-period.median // 2), 3 * period.median // 2
    if least <= period.p5 and period.p95 <= most:
        return True
    near = (intervals >= least) & (intervals <= most)
    return 10 * int(np.count_nonzero(near)) >= 8 * len(intervals)
