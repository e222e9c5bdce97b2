"""Segments that open or break a connection in, link events and a fresh state out (RFC 9293, 3.5 to 3.10)."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.cut import drop_part
from mbsniff.wire.events import add_event
from mbsniff.wire.load import Bytes, Columns
from mbsniff.wire.order import drain
from mbsniff.wire.rows import ACCEPTED, OPENING, RESET
from mbsniff.wire.sequence import ahead
from mbsniff.wire.state import HEARD, IN_STEP, NEXT, PART, PENDING, SEEN_NS, SIDE_COLUMNS, WAS_RESET

FIN_BIT, SYN_BIT, RST_BIT, ACK_BIT = 0x01, 0x02, 0x04, 0x10  # RFC 9293, 3.1

SENT_AGAIN = 1  # AMOUNT of an OPENING that repeats the one before, or was recorded after bytes that follow it
UNSEEN = 2  # AMOUNT of an OPENING that the sequence numbers betray, though no SYN was recorded

OLDEST_COPY = 1 << 20  # further behind than any window in use: another connection on the same ports
LARGEST_GAP = 1 << 30  # the largest window (RFC 7323, 2.3)


@rare
def begin_anew(
    c: int, now_ns: int, state: Columns, held: Columns, held_data: Bytes, parts: Bytes, free_parts: Columns,
    rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Settle what the connection holds back, then forget where both sides stood."""
    drain(now_ns, 1, c, state, held, held_data, parts, free_parts, rows, values, carry)
    for side in range(2):
        mine = side * SIDE_COLUMNS
        drop_part(c, side, state, free_parts, carry)
        state[c, mine + NEXT] = -1
        state[c, mine + PENDING] = -1
        state[c, mine + SEEN_NS] = -1
    state[c, HEARD] = 0


@helper
def is_alien(distance: int) -> bool:
    """Whether a segment so far from the expected sequence number belongs to another connection."""
    return distance < -OLDEST_COPY or distance > LARGEST_GAP


@rare
def take_syn(
    c: int, side: int, sequence: int, ack: int, time_ns: int, frame: int, state: Columns, held: Columns,
    held_data: Bytes, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """SYN or SYN and ACK: a new connection, unless it is the same one sent again."""
    mine = side * SIDE_COLUMNS
    yours = (1 - side) * SIDE_COLUMNS
    following = (sequence + 1) & 0xFFFFFFFF
    kind = OPENING if ack < 0 else ACCEPTED
    was_reset = state[c, HEARD] & WAS_RESET
    again = state[c, mine + NEXT] == following or _came_late(c, side, following, ack, time_ns, state)
    again = again and not was_reset
    known = state[c, yours + NEXT]
    if not again and (was_reset or ack < 0 or known < 0 or ahead(ack, known) != 0):
        begin_anew(c, time_ns, state, held, held_data, parts, free_parts, rows, values, carry)
    add_event(kind, c, side, time_ns, frame, SENT_AGAIN if again else 0, sequence, -1, rows, carry)
    if again:
        return
    state[c, mine + NEXT] = following
    state[c, mine + PART] = IN_STEP
    state[c, mine + SEEN_NS] = time_ns
    state[c, HEARD] |= 1 << side
    if ack >= 0:
        state[c, mine + PENDING] = following
        if state[c, yours + NEXT] < 0:
            state[c, yours + NEXT] = ack
            state[c, yours + PART] = IN_STEP
            state[c, yours + SEEN_NS] = time_ns
            state[c, HEARD] |= 1 << (1 - side)


@helper
def _came_late(c: int, side: int, following: int, ack: int, time_ns: int, state: Columns) -> bool:
    """Whether a SYN is earlier than the bytes seen of its side, which follow it: it was recorded out of order."""
    mine = side * SIDE_COLUMNS
    return (
        ack < 0
        and state[c, HEARD] & 3 == 1 << side
        and time_ns < state[c, mine + SEEN_NS]
        and 0 < ahead(state[c, mine + NEXT], following) <= OLDEST_COPY
    )


@rare
def take_reset(
    c: int, side: int, time_ns: int, frame: int, state: Columns, held: Columns, held_data: Bytes,
    parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """RST: whatever was outstanding ends here; what TCP sends again afterwards is still known to be old."""
    drain(time_ns, 1, c, state, held, held_data, parts, free_parts, rows, values, carry)
    for each in range(2):
        drop_part(c, each, state, free_parts, carry)
        state[c, each * SIDE_COLUMNS + PENDING] = -1
    state[c, HEARD] |= WAS_RESET
    add_event(RESET, c, side, time_ns, frame, 0, -1, -1, rows, carry)
