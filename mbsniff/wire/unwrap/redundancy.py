"""Frames that a redundant network carried twice in, whether this one was seen before out (IEC 62439-3)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u48

FORGET_NS = 400_000_000  # IEC 62439-3: EntryForgetTime

# Columns of the table of frames seen, one for each value of the sequence number's lower bits.
D_SOURCE = 0  # hardware addresses
D_TARGET = 1
D_MARK = 2  # kind, length and sequence number
D_NS = 3
DUPLICATE_COLUMNS = 4
DUPLICATE_ROWS = 1 << 12


@rare
def is_duplicate(
    data: Bytes, ether: int, kind: int, sequence: int, size: int, time_ns: int, seen: Columns
) -> bool:
    """Whether the frame whose Ethernet header is at ``ether`` came before, by the other way or the same."""
    target = u48(data, ether)
    source = u48(data, ether + 6)
    mark = kind << 40 | (size & 0xFFFFF) << 16 | sequence
    row = (sequence ^ source ^ source >> 12 ^ source >> 24 ^ target) & (DUPLICATE_ROWS - 1)
    since = time_ns - seen[row, D_NS]
    if (
        seen[row, D_MARK] == mark
        and seen[row, D_SOURCE] == source
        and seen[row, D_TARGET] == target
        and -FORGET_NS <= since <= FORGET_NS
    ):
        return True
    seen[row, D_SOURCE] = source
    seen[row, D_TARGET] = target
    seen[row, D_MARK] = mark
    seen[row, D_NS] = time_ns
    return False
