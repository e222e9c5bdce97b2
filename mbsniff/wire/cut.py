"""Bytes of one direction in order in, message rows out: MBAP headers (Messaging on TCP/IP V1.0b, 3.1.3)."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.events import add_unrecorded
from mbsniff.wire.load import INDEX, Bytes, Columns, u16
from mbsniff.wire.pdu import reply_fields, request_fields
from mbsniff.wire.rows import (
    CLIENT,
    CONNECTION,
    DETAIL,
    END_SEQUENCE,
    FITS,
    FRAME,
    FUNCTION,
    IDENTIFIER,
    KIND,
    MALFORMED,
    REPLY,
    REQUEST,
    ROW_COLUMNS,
    SHAPE,
    START,
    TIME_NS,
    UNIT,
    VALUE,
    VALUE_BYTES,
)
from mbsniff.wire.state import (
    C_FREE_PARTS,
    C_MESSAGES,
    C_ROWS,
    C_SKIPPED,
    C_UNDECODABLE,
    C_VALUES,
    IN_STEP,
    LOST,
    PART,
    PART_BYTES,
    PART_MASK,
    PART_SHIFT,
    PENDING,
    SIDE_COLUMNS,
)

HEADER = 6  # transaction identifier, protocol identifier, length
SHORTEST = 2  # unit identifier and function code
LONGEST = 254


@helper
def is_header(data: Bytes, at: int) -> bool:
    """Whether six bytes can be an MBAP header: protocol identifier 0, length 2 to 254."""
    length = u16(data, at + 4)
    return u16(data, at + 2) == 0 and SHORTEST <= length <= LONGEST


@rare
def take_mbap(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, time_ns: int, frame: int,
    state: Columns, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Cut the messages out of ``size`` bytes in order, of which the recording holds the first ``seen``."""
    part = side * SIDE_COLUMNS + PART
    done = 0
    whole = 0
    if state[c, part] != IN_STEP:
        if state[c, part] > 0:
            done = continue_part(
                data, at, seen, size, c, side, sequence, time_ns, frame,
                state, parts, free_parts, rows, values, carry,
            )  # fmt: skip
            whole = done if state[c, part] == IN_STEP else 0
        if state[c, part] == LOST:
            done = find_step(data, at, done, seen, size, c, side, state, carry)
    while 0 <= done < size:
        if seen - done < HEADER:
            done = _short(data, at, done, seen, size, c, side, state, parts, free_parts, carry)
            break
        if not is_header(data, at + done):
            state[c, part] = LOST
            done = find_step(data, at, done, seen, size, c, side, state, carry)
            continue
        length = HEADER + u16(data, at + done + 4)
        if length > size - done or seen - done < HEADER + SHORTEST:
            done = _short(data, at, done, seen, size, c, side, state, parts, free_parts, carry)
            break
        here = seen - done if seen - done < length else length
        _emit_apart(
            data, at + done, here, length, c, side, (sequence + done + length) & 0xFFFFFFFF,
            time_ns, frame, state, rows, values, carry,
        )  # fmt: skip
        done += length
        whole = done
    if seen < size and state[c, part] == LOST:
        add_unrecorded(c, side, size - whole, time_ns, frame, state, rows, carry)


@helper
def emit(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, end_sequence: int, time_ns: int,
    frame: int, state: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Add the row of one whole message of ``size`` bytes (at least 8 of them ``seen``)."""
    add_message(
        data, at + 7, seen - 7, size - 7, u16(data, at), data[at + 6] & 0xFF, c, side, end_sequence, time_ns,
        frame, state, rows, values, carry,
    )  # fmt: skip


@helper
def add_message(
    data: Bytes, at: int, seen: int, size: int, identifier: int, unit: int, c: int, side: int,
    end_sequence: int, time_ns: int, frame: int, state: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Add the row of a message whose PDU of ``size`` bytes (at least 1 of them ``seen``) is at ``at``."""
    row = carry[C_ROWS] & INDEX
    carry[C_ROWS] = row + 1
    carry[C_MESSAGES] += 1
    rows[row, KIND] = REQUEST if side == CLIENT else REPLY
    rows[row, TIME_NS] = time_ns
    rows[row, CONNECTION] = c
    rows[row, FRAME] = frame
    rows[row, IDENTIFIER] = identifier
    rows[row, UNIT] = unit
    rows[row, FUNCTION] = data[at] & 0xFF
    for column in range(START, ROW_COLUMNS):
        rows[row, column] = -1
    rows[row, END_SEQUENCE] = end_sequence
    rows[row, VALUE_BYTES] = 0
    rows[row, SHAPE] = FITS
    if side == CLIENT:
        used = carry[C_VALUES] & INDEX
        carry[C_VALUES] = request_fields(data, at, seen, size, rows, row, values, used)
        if rows[row, SHAPE] == MALFORMED:  # its addresses and values cannot be trusted
            for column in range(START, DETAIL):
                rows[row, column] = -1
            rows[row, VALUE] = -1
            rows[row, VALUE_BYTES] = 0
            carry[C_VALUES] = used
        if state[c, PENDING] < 0:
            state[c, PENDING] = end_sequence
    else:
        reply_fields(data, at, seen, size, rows, row)


@rare
def _emit_apart(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, end_sequence: int, time_ns: int,
    frame: int, state: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """The same, compiled once for all who are not in a hurry; ``data`` may be the buffer of parts."""
    emit(data, at, seen, size, c, side, end_sequence, time_ns, frame, state, rows, values, carry)


@rare
def _short(
    data: Bytes, at: int, done: int, seen: int, size: int, c: int, side: int,
    state: Columns, parts: Bytes, free_parts: Columns, carry: Columns,
) -> int:  # fmt: skip
    """A message that goes on in a later segment: keep it; or one that the recorder cut: lose step."""
    part = side * SIDE_COLUMNS + PART
    if seen < size:
        state[c, part] = LOST
        carry[C_UNDECODABLE] += 1
        return size
    carry[C_FREE_PARTS] -= 1
    slot = free_parts[carry[C_FREE_PARTS]]
    for k in range(size - done):
        parts[slot * PART_BYTES + k] = data[at + done + k]
    state[c, part] = (slot + 1) << PART_SHIFT | (size - done)
    return size


@rare
def drop_part(c: int, side: int, state: Columns, free_parts: Columns, carry: Columns) -> None:
    """Give back the buffer of an unfinished message, if there is one, and count the side as out of step."""
    part = side * SIDE_COLUMNS + PART
    if state[c, part] > 0:
        free_parts[carry[C_FREE_PARTS]] = (state[c, part] >> PART_SHIFT) - 1
        carry[C_FREE_PARTS] += 1
        carry[C_SKIPPED] += state[c, part] & PART_MASK
    state[c, part] = LOST


@rare
def continue_part(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, time_ns: int, frame: int,
    state: Columns, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> int:  # fmt: skip
    """Add bytes to an unfinished message until it is whole; how many were taken."""
    part = side * SIDE_COLUMNS + PART
    slot = (state[c, part] >> PART_SHIFT) - 1
    base = slot * PART_BYTES
    fill = state[c, part] & PART_MASK
    had = fill
    done = 0
    wanted = HEADER
    if fill >= HEADER:
        wanted = u16(parts, base + 4) + HEADER
    while 0 <= done < seen:
        parts[base + fill] = data[at + done]
        fill += 1
        done += 1
        if fill == HEADER:
            wanted = u16(parts, base + 4) + HEADER
            if not is_header(parts, base):
                state[c, part] = (slot + 1) << PART_SHIFT | had
                drop_part(c, side, state, free_parts, carry)
                return 0
        if fill >= HEADER and fill == wanted:
            _emit_apart(
                parts, base, fill, fill, c, side, (sequence + done) & 0xFFFFFFFF,
                time_ns, frame, state, rows, values, carry,
            )  # fmt: skip
            state[c, part] = (slot + 1) << PART_SHIFT
            drop_part(c, side, state, free_parts, carry)
            state[c, part] = IN_STEP
            return done
    state[c, part] = (slot + 1) << PART_SHIFT | fill
    if seen == size:
        return done
    ends = done + wanted - fill  # the recorder cut the frame inside this message
    if fill >= HEADER + SHORTEST and ends <= size:
        _emit_apart(
            parts, base, fill, wanted, c, side, (sequence + ends) & 0xFFFFFFFF,
            time_ns, frame, state, rows, values, carry,
        )  # fmt: skip
        state[c, part] = (slot + 1) << PART_SHIFT
        drop_part(c, side, state, free_parts, carry)
        state[c, part] = IN_STEP
        return ends
    drop_part(c, side, state, free_parts, carry)
    carry[C_UNDECODABLE] += 1
    return size


@rare
def find_step(
    data: Bytes, at: int, done: int, seen: int, size: int, c: int, side: int, state: Columns, carry: Columns
) -> int:
    """Pass over bytes until a message plausibly begins; where, or ``size`` where none does."""
    begun = done
    while done + HEADER + SHORTEST <= seen:
        if plausible(data, at + done, seen - done, size - done, side, done):
            state[c, side * SIDE_COLUMNS + PART] = IN_STEP
            break
        done += 1
    else:
        done = size
    if done > begun:
        carry[C_SKIPPED] += (done if done < seen else seen) - begun
        carry[C_UNDECODABLE] += 1
    return done


@helper
def plausible(data: Bytes, at: int, seen: int, size: int, side: int, done: int) -> bool:
    """Whether a message can begin here, by its header and by the length that its function asks for.

    A private function code has no length of its own, so it is believed only where the message is exactly
    a segment; likewise one whose byte count the recorder cut off.
    """
    if not is_header(data, at):
        return False
    length = u16(data, at + 4)
    function = data[at + 7] & 0xFF
    if side == CLIENT:
        if 1 <= function <= 6:
            return length == 6
        if (function == 15 or function == 16) and seen > 12:
            return length == 7 + (data[at + 12] & 0xFF)
        if function == 23 and seen > 16:
            return length == 11 + (data[at + 16] & 0xFF)
        if function == 22:
            return length == 8
    else:
        if function > 0x80:
            return length == 3
        if (1 <= function <= 4 or function == 23) and seen > 8:
            return length == 3 + (data[at + 8] & 0xFF)
        if function == 5 or function == 6 or function == 15 or function == 16:
            return length == 6
        if function == 22:
            return length == 8
    return done == 0 and function > 0 and HEADER + length == size
