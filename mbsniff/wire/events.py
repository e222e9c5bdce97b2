"""Rows of link events: what a connection does beside carrying messages."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import Columns
from mbsniff.wire.rows import (
    AMOUNT,
    CONNECTION,
    FRAME,
    FROM_NS,
    KIND,
    SEQUENCE,
    SIDE,
    TIME_NS,
    UNRECORDED,
)
from mbsniff.wire.state import C_ROWS, C_UNRECORDED, SEEN_NS, SIDE_COLUMNS


@helper
def add_event(
    kind: int, c: int, side: int, time_ns: int, frame: int, amount: int, sequence: int, from_ns: int,
    rows: Columns, carry: Columns,
) -> None:  # fmt: skip
    """Add the row of a link event."""
    row = carry[C_ROWS]
    carry[C_ROWS] = row + 1
    rows[row, KIND] = kind
    rows[row, TIME_NS] = time_ns
    rows[row, CONNECTION] = c
    rows[row, FRAME] = frame
    rows[row, SIDE] = side
    rows[row, AMOUNT] = amount
    rows[row, SEQUENCE] = sequence
    rows[row, FROM_NS] = from_ns


@rare
def add_unrecorded(
    c: int, side: int, missing: int, time_ns: int, frame: int, state: Columns, rows: Columns, carry: Columns
) -> None:
    """Count bytes of ``side`` that were sent but that the recording lacks."""
    from_ns = state[c, side * SIDE_COLUMNS + SEEN_NS]
    add_event(UNRECORDED, c, side, time_ns, frame, missing, -1, from_ns, rows, carry)
    carry[C_UNRECORDED] += missing
