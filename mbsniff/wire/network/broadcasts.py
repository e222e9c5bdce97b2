"""A frame to a group of hosts in, how many there were in its second out."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Columns

SECOND_NS = 1_000_000_000

# The second under way, and rows of seconds that are over.
B_SECOND_NS = 0  # its beginning; -1 before the first
B_FRAMES = 1
B_SENDER = 2  # who sent more than half of them, if anybody did
B_LEAD = 3  # votes that this sender is ahead (Boyer and Moore 1991)
BROADCAST_COLUMNS = 4


@rare
def count_broadcast(mac: int, time_ns: int, now: Columns, seconds: Columns, count: int) -> int:
    """Count one; another second than the one under way in ``now`` closes that one: rows of ``seconds`` filled."""
    second_ns = time_ns // SECOND_NS * SECOND_NS
    if now[B_SECOND_NS] != second_ns:
        if now[B_FRAMES] > 0:
            for column in range(BROADCAST_COLUMNS):
                seconds[count, column] = now[column]
            count += 1
        now[B_SECOND_NS] = second_ns
        now[B_FRAMES] = 0
        now[B_LEAD] = 0
    now[B_FRAMES] += 1
    if now[B_LEAD] == 0:
        now[B_SENDER] = mac
    now[B_LEAD] += 1 if now[B_SENDER] == mac else -1
    return count
