"""Transactions in time order in; out come the marks of those that write another value than the one before."""

from __future__ import annotations

from mbsniff.compiled import helper, kernel
from mbsniff.exchange.columns import CHANGED, P_CHANGES, P_VALUE, P_WHO
from mbsniff.exchange.outstanding import Narrow
from mbsniff.wire.load import Bytes, Columns

SINGLE_COIL, SINGLE_REGISTER = 5, 6  # MODBUS Application Protocol V1.1b3, 6.5 and 6.6: the value is a number


@kernel
def mark_changes(
    poll: Narrow, value: Narrow, status: Narrow, polls: Columns, value_table: Columns, value_bytes: Bytes
) -> int:
    """Set CHANGED and count P_CHANGES; each poll's transactions stand in time order."""
    for p in range(len(polls)):
        polls[p, P_VALUE] = -1
    for t in range(len(poll)):
        entry = value[t]
        if entry < 0:
            continue
        p = poll[t] & 0x7FFFFFFF
        last = polls[p, P_VALUE]
        polls[p, P_VALUE] = entry
        function = polls[p, P_WHO] & 0xFF
        is_number = function == SINGLE_COIL or function == SINGLE_REGISTER
        if last < 0 or last == entry:
            continue
        if is_number or not same_bytes(last, entry, value_table, value_bytes):
            status[t] = (status[t] & 0xFF) | CHANGED
            polls[p, P_CHANGES] += 1
    return 0


@helper
def same_bytes(one: int, other: int, value_table: Columns, value_bytes: Bytes) -> bool:
    """Whether two entries of the value table hold the same bytes."""
    count = value_table[one, 1]
    if count != value_table[other, 1]:
        return False
    first = value_table[one, 0]
    second = value_table[other, 0]
    same = 0
    while same < count and value_bytes[first + same] == value_bytes[second + same]:
        same += 1
    return same == count
