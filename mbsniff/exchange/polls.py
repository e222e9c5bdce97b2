"""A request's pair, unit, function and addresses in, the index of its poll out: a seeded hash table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import helper
from mbsniff.exchange.columns import P_READ, P_VALUE, P_WHO, P_WRITE, POLL_COLUMNS
from mbsniff.wire.connections import FULL, MODULUS, MOST_PROBES
from mbsniff.wire.load import Columns

LIMBS = 9


@helper
def poll_hash(who: int, read: int, write: int, multipliers: Columns) -> int:
    """Seeded hash of a poll's three key columns, in [0, 2**31 - 1)."""
    total = (
        (who & 0xFFFF) * multipliers[0]
        + (who >> 16 & 0xFFFF) * multipliers[1]
        + (who >> 32 & 0xFFFF) * multipliers[2]
        + (read & 0xFFFF) * multipliers[3]
        + (read >> 16 & 0xFFFF) * multipliers[4]
        + (read >> 32 & 0xFFFF) * multipliers[5]
    )
    if write:
        total += (
            (write & 0xFFFF) * multipliers[6]
            + (write >> 16 & 0xFFFF) * multipliers[7]
            + (write >> 32 & 0xFFFF) * multipliers[8]
        )
    return total % MODULUS


@helper
def poll_index(
    who: int, read: int, write: int, known: int, polls: Columns, slots: Columns, multipliers: Columns
) -> int:
    """Index of the poll, ``known`` where it is new (its row is then begun), or FULL."""
    mix = poll_hash(who, read, write, multipliers)
    size = len(slots)
    slot = mix & (size - 1)
    for _ in range(MOST_PROBES):
        entry = slots[slot]
        if entry == 0:
            if known >= len(polls) or known * 2 >= size:
                return FULL
            slots[slot] = mix << 32 | (known + 1)
            for column in range(POLL_COLUMNS):
                polls[known, column] = 0
            polls[known, P_WHO] = who
            polls[known, P_READ] = read
            polls[known, P_WRITE] = write
            polls[known, P_VALUE] = -1
            return known
        found = (entry & 0xFFFFFFFF) - 1
        if (
            entry >> 32 == mix
            and polls[found, P_WHO] == who
            and polls[found, P_READ] == read
            and polls[found, P_WRITE] == write
        ):
            return found
        slot = (slot + 1) & (size - 1)
    return FULL


def poll_hashes(polls: NDArray[np.int64], multipliers: NDArray[np.int64]) -> NDArray[np.int64]:
    """`poll_hash` of every row of a poll table, shape (polls,)."""
    limbs = []
    for column in (P_WHO, P_READ, P_WRITE):
        limbs += [polls[:, column] & 0xFFFF, polls[:, column] >> 16 & 0xFFFF, polls[:, column] >> 32 & 0xFFFF]
    total = sum(limb * m for limb, m in zip(limbs, multipliers[:LIMBS].tolist(), strict=True))
    return np.asarray(total % MODULUS, np.int64)
