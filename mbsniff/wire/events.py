"""Rows of link events: what a connection does beside carrying messages."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import Columns
from mbsniff.wire.rows import (
    ACKNOWLEDGED,
    AMOUNT,
    CLIENT,
    CONNECTION,
    FRAME,
    FROM_NS,
    KIND,
    SEQUENCE,
    SERVER,
    SIDE,
    TIME_NS,
    UNRECORDED,
    WINDOW_CLOSED,
    WINDOW_OPENED,
)
from mbsniff.wire.sequence import ahead
from mbsniff.wire.state import (
    C_ROWS,
    C_UNRECORDED,
    HEARD,
    IS_CLOSED,
    NEXT,
    PENDING,
    SEEN_NS,
    SIDE_COLUMNS,
)


@rare
def add_event(
    kind: int, c: int, side: int, time_ns: int, frame: int, amount: int, sequence: int, from_ns: int,
    rows: Columns, carry: Columns,
) -> None:  # fmt: skip
    """Add the row of a link event."""
    _put_event(kind, c, side, time_ns, frame, amount, sequence, from_ns, rows, carry)


@helper
def _put_event(
    kind: int, c: int, side: int, time_ns: int, frame: int, amount: int, sequence: int, from_ns: int,
    rows: Columns, carry: Columns,
) -> None:  # fmt: skip
    """The same, for those events that are not rare."""
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


@helper
def note_acknowledgement(
    c: int, side: int, size: int, ack: int, time_ns: int, frame: int, state: Columns, rows: Columns,
    carry: Columns,
) -> None:  # fmt: skip
    """What a segment with acknowledgement number ``ack`` (-1: none) and ``size`` bytes acknowledges, if awaited."""
    yours = (side ^ 1) * SIDE_COLUMNS
    awaited = state[c, yours + PENDING]
    if awaited >= 0 and ack >= 0 and ahead(ack, awaited) >= 0:
        following = state[c, yours + NEXT]
        state[c, yours + PENDING] = following if side == SERVER and ahead(following, ack) > 0 else -1
        if size == 0 or side == CLIENT:
            _put_event(ACKNOWLEDGED, c, side, time_ns, frame, 0, ack, -1, rows, carry)


@rare
def note_window(
    c: int, side: int, window: int, time_ns: int, frame: int, state: Columns, rows: Columns, carry: Columns
) -> None:
    """Note that a side closes its receive window, or opens it again; until then its frames are not plain."""
    is_closed = state[c, HEARD] & (IS_CLOSED << side)
    if (window == 0) == (is_closed != 0):
        return
    state[c, HEARD] ^= IS_CLOSED << side
    kind = WINDOW_CLOSED if window == 0 else WINDOW_OPENED
    add_event(kind, c, side, time_ns, frame, window, -1, -1, rows, carry)


@rare
def add_unrecorded(
    c: int, side: int, missing: int, time_ns: int, frame: int, state: Columns, rows: Columns, carry: Columns
) -> None:
    """Count bytes of ``side`` that were sent but that the recording lacks."""
    from_ns = state[c, side * SIDE_COLUMNS + SEEN_NS]
    add_event(UNRECORDED, c, side, time_ns, frame, missing, -1, from_ns, rows, carry)
    carry[C_UNRECORDED] += missing
