"""An endpoint's or a device's transactions in, how densely it is read out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import P_COUNT
from mbsniff.measure.figures import Busiest, Load
from mbsniff.measure.groups import READS, Groups, is_orphan
from mbsniff.measure.passes import busiest_window, gather_times

SECOND_NS = 1_000_000_000
TEN_SECONDS_NS = 10 * SECOND_NS


def reading_polls(groups: Groups, rows: list[int]) -> list[int]:
    """Those of the polls that read."""
    return [row for row in rows if groups.keys[row].function in READS and not is_orphan(groups.keys[row])]


def load(
    groups: Groups, order: NDArray[np.int32], polls: list[int], scratch: NDArray[np.int64], *, compiled: bool
) -> Load:
    """How densely ``polls``, all of which read, are asked; ``scratch`` has room for all of ``order``."""
    exchange = groups.exchange
    with groups.table(polls, 1) as chosen:
        count = gather_times(
            order, exchange.request_ns, exchange.poll, exchange.status, chosen, scratch, compiled=compiled
        )
    times = scratch[:count]
    return Load(
        reads=int(groups.exchange.polls[polls, P_COUNT].sum()),
        second=_busiest(times, SECOND_NS, compiled),
        ten_seconds=_busiest(times, TEN_SECONDS_NS, compiled),
    )


def _busiest(times: NDArray[np.int64], width_ns: int, compiled: bool) -> Busiest:
    """The window of a width that holds the most of the times."""
    found = np.zeros(2, np.int64)
    busiest_window(times, width_ns, found, compiled=compiled)
    reads, at = found.tolist()
    return Busiest(reads, at if reads else None, width_ns)
