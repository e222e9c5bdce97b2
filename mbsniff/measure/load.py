"""An endpoint's or a device's transactions in, how densely it is read out."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import helper, kernel
from mbsniff.exchange.columns import P_COUNT
from mbsniff.measure.figures import Busiest, Load
from mbsniff.measure.groups import READS, Groups, is_orphan
from mbsniff.measure.passes import Narrow
from mbsniff.wire.load import INDEX, Columns

SECOND_NS = 1_000_000_000
TEN_SECONDS_NS = 10 * SECOND_NS

# Columns of what `busiest_windows` finds: a row for all reads, and one for each master's.
W_NEXT = 0  # where the next time goes
W_SHORT = 1  # most reads in any window of the shorter width
W_SHORT_NS = 2  # its beginning
W_LONG = 3  # the same of the longer
W_LONG_NS = 4
WINDOW_COLUMNS = 5

READERS = 0  # a table of its own among the groups'


@kernel
def busiest_windows(
    order: Narrow, request_ns: Columns, poll: Narrow, reader: Columns, short_ns: int, long_ns: int,
    times: Columns, times_apart: Columns, found: Columns,
) -> int:  # fmt: skip
    """found: the most reads in any window [t, t + width) and the first such t, of all masters and of each.

    ``reader`` says for each poll whose reads it sends (the master's row in ``found``, less one), -1 where it
    does not read. Where ``found`` has a single row, masters are not told apart. ``times`` has room for the
    times of all reads; ``times_apart`` for them by master, from where W_NEXT of each row says at first.
    """
    for k in range(len(order)):
        t = order[k] & INDEX
        m = reader[poll[t] & INDEX]
        if m >= 0:
            _take_read(0, request_ns[t], short_ns, long_ns, times, found)
            if len(found) > 1:
                _take_read((m + 1) & INDEX, request_ns[t], short_ns, long_ns, times_apart, found)
    return 0


@helper
def _take_read(row: int, now_ns: int, short_ns: int, long_ns: int, times: Columns, found: Columns) -> None:
    """The window that ends with a read can only be the busiest if one read more than in that fits in."""
    at = found[row, W_NEXT] & INDEX
    found[row, W_NEXT] = at + 1
    times[at] = now_ns
    from_ns = times[(at - found[row, W_SHORT]) & INDEX]
    if from_ns > now_ns - short_ns:
        found[row, W_SHORT] += 1
        found[row, W_SHORT_NS] = from_ns
    from_ns = times[(at - found[row, W_LONG]) & INDEX]
    if from_ns > now_ns - long_ns:
        found[row, W_LONG] += 1
        found[row, W_LONG_NS] = from_ns


def reading_polls(groups: Groups, rows: list[int]) -> list[int]:
    """Those of the polls that read."""
    return [row for row in rows if groups.keys[row].function in READS and not is_orphan(groups.keys[row])]


def loads(
    groups: Groups, order: NDArray[np.int32], polls: list[int], scratch: NDArray[np.int64], *, compiled: bool
) -> tuple[Load, dict[str, Load]]:
    """How densely ``polls``, all of which read, are asked: by all masters together, and by each.

    ``scratch`` has two rows with room for all of ``order``.
    """
    exchange = groups.exchange
    owners = groups.master_of_poll[polls].tolist()
    reads = dict.fromkeys(sorted(set(owners)), 0)
    for master, count in zip(owners, exchange.polls[polls, P_COUNT].tolist(), strict=True):
        reads[master] += count
    place = {master: index for index, master in enumerate(reads)}
    found = np.zeros((1 + len(reads) if len(reads) > 1 else 1, WINDOW_COLUMNS), np.int64)
    found[1:, W_NEXT] = [0, *itertools.accumulate(reads.values())][: len(found) - 1]
    whose = [place[master] for master in owners]
    with groups.table(polls, whose, rest=-1, place=READERS) as reader:
        busiest_windows(
            order, exchange.request_ns, exchange.poll, reader, SECOND_NS, TEN_SECONDS_NS, *scratch, found,
            compiled=compiled,
        )  # fmt: skip
    whole = _load(sum(reads.values()), found[0].tolist())
    if len(found) == 1:
        return whole, {groups.masters[m]: whole for m in reads}
    each = zip(reads.items(), found[1:].tolist(), strict=True)
    apart = {groups.masters[m]: _load(count, row) for (m, count), row in each}
    return whole, dict(sorted(apart.items()))


def _load(reads: int, found: list[int]) -> Load:
    return Load(
        reads=reads,
        second=Busiest(found[W_SHORT], found[W_SHORT_NS] if reads else None, SECOND_NS),
        ten_seconds=Busiest(found[W_LONG], found[W_LONG_NS] if reads else None, TEN_SECONDS_NS),
    )
