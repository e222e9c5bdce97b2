"""Segments that are not simply the next one in; bytes in order and link events out (RFC 9293, 3.4, 3.10.7).

A segment waits until the recording has shown all that precedes it: the earlier bytes of its own side,
and the bytes of the other side that it acknowledges. So both sides are read in the order in which they
happened, whatever order the recorder wrote. What does not turn up counts as unrecorded: soon where the
receiver acknowledged it, after as long as TCP may take to send again where nobody did.
"""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.cut import drop_part
from mbsniff.wire.events import add_event, add_unrecorded
from mbsniff.wire.framing import take_bytes
from mbsniff.wire.load import Bytes, Columns
from mbsniff.wire.rows import AGAIN, CLOSING
from mbsniff.wire.sequence import ahead
from mbsniff.wire.state import (
    C_FREE_HELD,
    C_HELD_LEFT,
    H_ACK,
    H_DONE_FRAME,
    H_DONE_NS,
    H_FIN,
    H_FRAME,
    H_NEXT,
    H_SEEN,
    H_SEQUENCE,
    H_SIDE,
    H_SIZE,
    H_TIME,
    HEARD,
    HELD,
    HELD_BYTES,
    MOST_HELD,
    NEXT,
    PROVEN_LOST_NS,
    SEEN_NS,
    SIDE_COLUMNS,
    WAIT_NS,
)


@rare
def hold(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, ack: int, fin: int,
    time_ns: int, frame: int, state: Columns, held: Columns, held_data: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Put a segment at the end of the connection's queue, in pieces of HELD_BYTES."""
    last = -1
    row = state[c, HELD]
    while row >= 0:
        last = row
        row = held[row, H_NEXT]
    done = 0
    while done < size or done == 0:
        row = carry[C_FREE_HELD]
        carry[C_FREE_HELD] = held[row, H_NEXT]
        carry[C_HELD_LEFT] -= 1
        piece = size - done if size - done < HELD_BYTES else HELD_BYTES
        there = seen - done if seen - done < piece else piece
        there = there if there > 0 else 0
        held[row, H_NEXT] = -1
        held[row, H_SIDE] = side
        held[row, H_SEQUENCE] = (sequence + done) & 0xFFFFFFFF
        held[row, H_SIZE] = piece
        held[row, H_SEEN] = there
        held[row, H_ACK] = ack
        held[row, H_FIN] = fin if done + piece >= size else 0
        held[row, H_TIME] = time_ns
        held[row, H_FRAME] = frame
        held[row, H_DONE_NS] = time_ns
        held[row, H_DONE_FRAME] = frame
        for k in range(there):
            held_data[row * HELD_BYTES + k] = data[at + done + k]
        if last < 0:
            state[c, HELD] = row
        else:
            held[last, H_NEXT] = row
        last = row
        done += HELD_BYTES


@helper
def in_order(c: int, side: int, sequence: int, ack: int, state: Columns) -> bool:
    """Whether all that precedes a segment was seen: its side's earlier bytes and those it acknowledges."""
    mine = side * SIDE_COLUMNS
    yours = (1 - side) * SIDE_COLUMNS
    if ahead(sequence, state[c, mine + NEXT]) > 0:
        return False
    return ack < 0 or ahead(ack, state[c, yours + NEXT]) <= 0


@rare
def take_segment(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, fin: int,
    time_ns: int, frame: int, done_ns: int, done_frame: int, state: Columns, parts: Bytes,
    free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """A segment that is in order, perhaps with a part or all of it seen before.

    ``done_ns`` and ``done_frame`` tell by which frame all its side's bytes up to its own were there.
    """
    mine = side * SIDE_COLUMNS
    old = -ahead(sequence, state[c, mine + NEXT])
    if old > 0:
        if size > 0 and not (size == 1 and old == 1):
            again = size if size < old else old
            add_event(AGAIN, c, side, time_ns, frame, again, sequence, -1, rows, carry)
        if size + fin <= old:
            return
        if old > size:
            old = size
    fresh = size - old
    if fresh > 0:
        there = seen - old if seen > old else 0
        start = (sequence + old) & 0xFFFFFFFF
        take_bytes(
            data, at + old, there, fresh, c, side, start, done_ns, done_frame,
            state, parts, free_parts, rows, values, carry,
        )  # fmt: skip
        state[c, mine + SEEN_NS] = done_ns
    if fin:
        add_event(CLOSING, c, side, done_ns, done_frame, 0, -1, -1, rows, carry)
    state[c, mine + NEXT] = (sequence + size + fin) & 0xFFFFFFFF


@rare
def drain(
    now_ns: int, all_of_it: int, c: int, state: Columns, held: Columns, held_data: Bytes, parts: Bytes,
    free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Take every held segment that is in order now; past the limits, count what is missing as unrecorded."""
    while state[c, HELD] >= 0:
        before = -1
        row = state[c, HELD]
        waiting = 0
        while row >= 0 and not in_order(c, held[row, H_SIDE], held[row, H_SEQUENCE], held[row, H_ACK], state):
            before = row
            row = held[row, H_NEXT]
            waiting += 1
        if row < 0:
            if not (all_of_it or waiting > MOST_HELD or _overdue(now_ns, c, state, held)):
                return
            _give_up_gap(c, state, held, free_parts, rows, carry)
            continue
        if before < 0:
            state[c, HELD] = held[row, H_NEXT]
        else:
            held[before, H_NEXT] = held[row, H_NEXT]
        side = held[row, H_SIDE]
        known = state[c, side * SIDE_COLUMNS + NEXT]
        take_segment(
            held_data, row * HELD_BYTES, held[row, H_SEEN], held[row, H_SIZE], c, side,
            held[row, H_SEQUENCE], held[row, H_FIN], held[row, H_TIME], held[row, H_FRAME],
            held[row, H_DONE_NS], held[row, H_DONE_FRAME], state, parts, free_parts, rows, values, carry,
        )  # fmt: skip
        if state[c, side * SIDE_COLUMNS + NEXT] != known:
            _complete_later(c, side, held[row, H_DONE_NS], held[row, H_DONE_FRAME], state, held)
        held[row, H_NEXT] = carry[C_FREE_HELD]
        carry[C_FREE_HELD] = row
        carry[C_HELD_LEFT] += 1


@helper
def _complete_later(c: int, side: int, done_ns: int, done_frame: int, state: Columns, held: Columns) -> None:
    """What a side still holds back is not complete before the frame that brought the bytes before it."""
    row = state[c, HELD]
    while row >= 0:
        later = done_ns - held[row, H_DONE_NS]
        if held[row, H_SIDE] == side and (later > 0 or (later == 0 and held[row, H_DONE_FRAME] < done_frame)):
            held[row, H_DONE_NS] = done_ns
            held[row, H_DONE_FRAME] = done_frame
        row = held[row, H_NEXT]


@rare
def _overdue(now_ns: int, c: int, state: Columns, held: Columns) -> bool:
    """Whether the oldest held segment waited too long for what precedes it."""
    row = state[c, HELD]
    side = held[row, H_SIDE]
    waited = now_ns - held[row, H_TIME]
    if waited <= PROVEN_LOST_NS:
        return False
    missing = state[c, side * SIDE_COLUMNS + NEXT]
    if ahead(held[row, H_SEQUENCE], missing) <= 0:
        return True  # it acknowledges bytes that the recording lacks
    while row >= 0:
        if held[row, H_SIDE] != side and held[row, H_ACK] >= 0 and ahead(held[row, H_ACK], missing) > 0:
            return True
        row = held[row, H_NEXT]
    return waited > WAIT_NS


@rare
def _give_up_gap(
    c: int, state: Columns, held: Columns, free_parts: Columns, rows: Columns, carry: Columns
) -> None:
    """Count the bytes that the oldest held segment waits for as unrecorded, up to the next ones held."""
    first = state[c, HELD]
    side = held[first, H_SIDE]
    target = held[first, H_SEQUENCE]
    if ahead(target, state[c, side * SIDE_COLUMNS + NEXT]) <= 0:
        side = 1 - side
        target = held[first, H_ACK]
    missing = state[c, side * SIDE_COLUMNS + NEXT]
    row = first
    while row >= 0:
        if held[row, H_SIDE] == side:
            distance = ahead(held[row, H_SEQUENCE], missing)
            if 0 < distance < ahead(target, missing):
                target = held[row, H_SEQUENCE]
        row = held[row, H_NEXT]
    skip_to(c, side, target, held[first, H_TIME], held[first, H_FRAME], state, free_parts, rows, carry)


@rare
def skip_to(
    c: int, side: int, target: int, time_ns: int, frame: int, state: Columns, free_parts: Columns,
    rows: Columns, carry: Columns,
) -> None:  # fmt: skip
    """Count the bytes of ``side`` before sequence number ``target`` as unrecorded."""
    mine = side * SIDE_COLUMNS
    missing = ahead(target, state[c, mine + NEXT])
    add_unrecorded(c, side, missing, time_ns, frame, state, rows, carry)
    drop_part(c, side, state, free_parts, carry)
    state[c, mine + NEXT] = target


@helper
def first_sight(c: int, side: int, sequence: int, ack: int, state: Columns) -> None:
    """A connection, or a side of it, that was under way before the recording saw it."""
    mine = side * SIDE_COLUMNS
    yours = (1 - side) * SIDE_COLUMNS
    if not state[c, HEARD] & (1 << side):
        state[c, mine + NEXT] = sequence
        state[c, HEARD] |= 1 << side
    if state[c, yours + NEXT] < 0 and ack >= 0:
        state[c, yours + NEXT] = ack


@helper
def follow_unheard(
    c: int, side: int, ack: int, time_ns: int, frame: int, state: Columns, free_parts: Columns,
    rows: Columns, carry: Columns,
) -> None:  # fmt: skip
    """Where only one side is recorded, its acknowledgements tell what the other sent."""
    other = 1 - side
    known = state[c, other * SIDE_COLUMNS + NEXT]
    if ack < 0 or known < 0:
        return
    beyond = ahead(ack, known)
    if beyond > 0 and not state[c, HEARD] & (1 << other):
        skip_to(c, other, ack, time_ns, frame, state, free_parts, rows, carry)
    elif beyond == 1 and state[c, other * SIDE_COLUMNS + SEEN_NS] < 0:
        state[c, other * SIDE_COLUMNS + NEXT] = ack  # all that was seen of it was a keep-alive probe
