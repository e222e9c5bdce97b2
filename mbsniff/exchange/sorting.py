"""Transactions in the order they were begun in, the same by endpoint, unit and time out.

What is asked of one device then lies side by side, so that measuring it reads memory from front to back,
and the result does not tell in which pieces the recording was read.
"""

from __future__ import annotations

from ipaddress import ip_address
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import kernel
from mbsniff.exchange.columns import P_COUNT, P_WHO
from mbsniff.exchange.result import Pair
from mbsniff.wire.load import Columns

Narrow = memoryview  # of narrower integers uncompiled; compiled: an NDArray of the same


@kernel
def order_by_group(
    poll: Narrow, group_of_poll: Columns, request_ns: Columns, request_frame: Narrow, starts: Columns,
    order: Narrow, latest: Columns, disordered: Columns,
) -> int:  # fmt: skip
    """Counting sort of transactions by group; ``disordered`` marks groups whose times do not ascend.

    ``latest`` has the last time and frame of each group; both are -1 at first.
    """
    for t in range(len(poll)):
        group = group_of_poll[poll[t]]
        order[starts[group]] = t
        starts[group] += 1
        now_ns = request_ns[t]
        frame = request_frame[t] & 0xFFFFFFFF
        if now_ns < latest[group, 0] or (now_ns == latest[group, 0] and frame < latest[group, 1]):
            disordered[group] = 1
        latest[group, 0] = now_ns
        latest[group, 1] = frame
    return 0


@kernel
def pick(column: Narrow, order: Narrow, picked: Narrow) -> int:
    """picked: the column's entries in another order."""
    for k in range(len(order)):
        picked[k] = column[order[k]]
    return 0


def time_order(
    poll: NDArray[np.int32], request_ns: NDArray[np.int64], request_frame: NDArray[np.uint32],
    polls: NDArray[np.int64], group_of_poll: NDArray[np.int64], groups: int, *, compiled: bool,
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:  # fmt: skip
    """(where each group begins in the order and the last one ends, transactions by group, time and frame)."""
    sizes = np.zeros(groups, np.int64)
    np.add.at(sizes, group_of_poll, polls[:, P_COUNT])
    bounds = np.concatenate([np.zeros(1, np.int64), np.cumsum(sizes)])
    order = np.empty(len(poll), np.int32)
    disordered = np.zeros(groups, np.int64)
    order_by_group(
        poll, group_of_poll, request_ns, request_frame, bounds[:-1].copy(), order,
        np.full((groups, 2), -1, np.int64), disordered, compiled=compiled,
    )  # fmt: skip
    for group in np.flatnonzero(disordered).tolist():
        part = order[bounds[group] : bounds[group + 1]]
        part[:] = part[np.lexsort((request_frame[part], request_ns[part]))]
    return bounds, order


def sort_columns(
    columns: dict[str, NDArray[Any]], polls: NDArray[np.int64], pairs: list[Pair], *, compiled: bool
) -> None:
    """Sort the transaction columns by endpoint, unit and time; each is replaced in the dict in turn."""
    whose = [(pairs[who >> 16], who >> 8 & 0xFF) for who in polls[:, P_WHO].tolist()]
    keys = [(ip_address(p.server).version, int(ip_address(p.server)), p.port, unit) for p, unit in whose]
    place = {key: index for index, key in enumerate(sorted(set(keys)))}
    groups = np.array([place[key] for key in keys], np.int64)
    given = (columns["poll"], columns["request_ns"], columns["request_frame"])
    _, order = time_order(*given, polls, groups, len(place), compiled=compiled)
    for name in list(columns):
        columns[name] = _picked(columns.pop(name), order, compiled)


def _picked(column: NDArray[Any], order: NDArray[np.int32], compiled: bool) -> NDArray[Any]:
    picked = np.empty_like(column)
    signed = column.view(np.int32) if column.dtype == np.uint32 else column  # the same bits, a kernel less
    pick(signed, order, picked.view(signed.dtype), compiled=compiled)
    return picked
