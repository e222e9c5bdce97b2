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
from mbsniff.wire.load import INDEX, Columns

Narrow = memoryview  # of narrower integers uncompiled; compiled: an NDArray of the same


@kernel
def place_by_group(
    poll: Narrow, group_of_poll: Columns, request_ns: Columns, request_frame: Narrow, starts: Columns,
    places: Narrow, latest: Columns, disordered: Columns,
) -> int:  # fmt: skip
    """Counting sort of transactions by group; ``disordered`` marks groups whose times do not ascend.

    ``latest`` has the last time and frame of each group; both are -1 at first.
    """
    for t in range(len(poll)):
        group = group_of_poll[poll[t] & INDEX] & INDEX
        places[t] = starts[group] & 0x7FFFFFFF
        starts[group] += 1
        now_ns = request_ns[t]
        frame = request_frame[t] & 0xFFFFFFFF
        if now_ns < latest[group, 0] or (now_ns == latest[group, 0] and frame < latest[group, 1]):
            disordered[group] = 1
        latest[group, 0] = now_ns
        latest[group, 1] = frame
    return 0


@kernel
def put(column: Narrow, places: Narrow, placed: Narrow) -> int:
    """placed: the column's entries, each at its place; reads and each group's writes go from front to back."""
    for t in range(len(places)):
        placed[places[t] & INDEX] = column[t]
    return 0


def bounds_of(polls: NDArray[np.int64], group_of_poll: NDArray[np.int64], groups: int) -> NDArray[np.int64]:
    """Where each group begins among transactions sorted by group, and where the last one ends."""
    sizes = np.zeros(groups, np.int64)
    np.add.at(sizes, group_of_poll, polls[:, P_COUNT])
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(sizes)])


def time_places(
    poll: NDArray[np.int32], request_ns: NDArray[np.int64], request_frame: NDArray[np.uint32],
    bounds: NDArray[np.int64], group_of_poll: NDArray[np.int64], *, compiled: bool,
) -> NDArray[np.int32]:  # fmt: skip
    """Each transaction's place in the order by group, time and frame; ``bounds`` is of `bounds_of`."""
    groups = len(bounds) - 1
    places = np.empty(len(poll), np.int32)
    disordered = np.zeros(groups, np.int64)
    place_by_group(
        poll, group_of_poll, request_ns, request_frame, bounds[:-1].copy(), places,
        np.full((groups, 2), -1, np.int64), disordered, compiled=compiled,
    )  # fmt: skip
    if disordered.any():
        order = inverse(places)
        for group in np.flatnonzero(disordered).tolist():
            part = order[bounds[group] : bounds[group + 1]]
            part[:] = part[np.lexsort((request_frame[part], request_ns[part]))]
        places = inverse(order)
    return places


def inverse(places: NDArray[np.int32]) -> NDArray[np.int32]:
    """Which entry stands at each place, or the other way round."""
    order = np.empty_like(places)
    order[places] = np.arange(len(places), dtype=np.int32)
    return order


def sort_columns(
    columns: dict[str, NDArray[Any]], polls: NDArray[np.int64], pairs: list[Pair], *, compiled: bool
) -> None:
    """Sort the transaction columns by endpoint, unit and time; each is replaced in the dict in turn.

    Each goes to the memory of the one before where that fits, since fresh memory takes time.
    """
    if not len(columns["poll"]):
        return
    whose = polls[:, P_WHO].tolist()
    servers = {
        pair: (*_number(pairs[pair].server), pairs[pair].port) for pair in {who >> 16 for who in whose}
    }
    keys = [(*servers[who >> 16], who >> 8 & 0xFF) for who in whose]
    place = {key: index for index, key in enumerate(sorted(set(keys)))}
    groups = np.array([place[key] for key in keys], np.int64)
    places = time_places(
        columns["poll"], columns["request_ns"], columns["request_frame"],
        bounds_of(polls, groups, len(place)), groups, compiled=compiled,
    )  # fmt: skip
    spare: list[NDArray[Any]] = []
    for name in sorted(columns, key=lambda name: columns[name].itemsize):
        column = columns[name]
        if spare and spare[0].nbytes != column.nbytes:
            spare.clear()  # before more memory is asked for
        placed = spare.pop().view(column.dtype) if spare else np.empty_like(column)
        signed = (
            column.view(np.int32) if column.dtype == np.uint32 else column
        )  # the same bits, a kernel less
        put(signed, places, placed.view(signed.dtype), compiled=compiled)
        columns[name] = placed
        spare.append(column)


def _number(address: str) -> tuple[int, int]:
    """IP version and address, so that addresses sort by value."""
    parsed = ip_address(address)
    return parsed.version, int(parsed)
