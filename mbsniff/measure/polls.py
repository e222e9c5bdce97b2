"""A device's transactions in, figures of each of its polls out: periods and kinds."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import P_ANSWERED, P_CHANGES, P_COUNT
from mbsniff.measure.figures import PollFigures, Quantiles
from mbsniff.measure.groups import WRITES, Groups, address_rank, is_orphan
from mbsniff.measure.quantiles import quantiles

LEAST_INTERVALS = 4  # for a poll to be called cyclic
LEAST_WRITES = 3  # for one to be called on change


def poll_figures(
    groups: Groups, device: int, feeds: list[bool], intervals_ns: list[NDArray[np.int64]], *, compiled: bool
) -> list[PollFigures]:
    """Figures of the device's polls, by master, function, addresses.

    ``feeds`` and ``intervals_ns`` have an entry for each of them, in the groups' order; the intervals may be
    reordered.
    """
    made = [
        _poll(groups, row, fed, intervals, compiled)
        for row, fed, intervals in zip(groups.polls_of_device[device], feeds, intervals_ns, strict=True)
        if not is_orphan(groups.keys[row])
    ]
    return sorted(made, key=_rank)


def _rank(poll: PollFigures) -> tuple[object, ...]:
    addresses = (poll.start, poll.quantity, poll.write_start, poll.write_quantity)
    return address_rank(poll.master), poll.function, *(-1 if a is None else a for a in addresses)


def _poll(groups: Groups, row: int, feeds: bool, intervals: NDArray[np.int64], compiled: bool) -> PollFigures:
    key = groups.keys[row]
    period = quantiles(intervals, compiled=compiled)
    count, answered, changes = groups.exchange.polls[row, [P_COUNT, P_ANSWERED, P_CHANGES]].tolist()
    return PollFigures(
        row=row,
        master=groups.masters[groups.master_of_poll[row]],
        function=key.function,
        start=_or_none(key.start),
        quantity=_or_none(key.quantity),
        write_start=_or_none(key.write_start),
        write_quantity=_or_none(key.write_quantity),
        count=count,
        answered=answered,
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
    if period and len(intervals) >= LEAST_INTERVALS:
        near = (intervals >= -(-period.median // 2)) & (intervals <= 3 * period.median // 2)
        if 10 * np.count_nonzero(near) >= 8 * len(intervals):
            return "cyclic"
    if function in WRITES and count >= LEAST_WRITES and 10 * changes >= 9 * (count - 1):
        return "on change"
    return "sporadic"
