"""Bytes of one direction in order in, message rows out, in the framing that their connection turns out to speak.

A connection speaks MBAP or the serial line's framing (`mbsniff.wire.rtu`). Until one message tells, both are tried on
each segment; from then on the connection is read that way, one that speaks MBAP by `mbsniff.wire.cut` alone.
"""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.cut import HEADER, add_message, drop_part, is_header, plausible, take_mbap
from mbsniff.wire.cut import SHORTEST as MBAP_SHORTEST
from mbsniff.wire.events import add_unrecorded
from mbsniff.wire.load import Bytes, Columns, u16
from mbsniff.wire.rows import NO_IDENTIFIER
from mbsniff.wire.rtu import BY_SEGMENT, CRC_BYTES, LONGEST, MORE, NONE, SHORTEST, is_sound, rtu_length
from mbsniff.wire.state import (
    C_FREE_PARTS,
    C_MESSAGES,
    C_SKIPPED,
    C_UNDECODABLE,
    HEARD,
    IN_STEP,
    LOST,
    MBAP,
    PART,
    PART_BYTES,
    PART_MASK,
    PART_SHIFT,
    RTU,
    SERIAL,
    SIDE_COLUMNS,
)

# How a segment reads as serial frames.
UNFIT = 0
ALONE = 1  # by itself
TOGETHER = 2  # it completes what is kept
BEGUN = 3  # what is kept goes on in it, and beyond

MOST_TRIED = 256  # places in a damaged segment at which a frame is sought before it is passed over


@rare
def take_bytes(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, time_ns: int, frame: int,
    state: Columns, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Cut the messages out of ``size`` bytes in order, of which the recording holds the first ``seen``."""
    part = side * SIDE_COLUMNS + PART
    known = state[c, HEARD] & (MBAP | RTU)
    if known != MBAP and seen == size:
        reading = _as_serial(data, at, size, c, side, state, parts)
        if known == RTU and reading == UNFIT and _is_mbap(data, at, size, state[c, part], side):
            state[c, HEARD] ^= RTU  # what spoke for the serial line was chance
        elif known == 0 and reading == BEGUN and _goes_on(data, at, size, parts, state[c, part], side):
            state[c, part] += size
            return
        elif reading == ALONE or reading == TOGETHER:
            state[c, HEARD] |= RTU
            if reading == ALONE and state[c, part] > 0:
                drop_part(c, side, state, free_parts, carry)
    if state[c, HEARD] & RTU:
        _take_rtu(
            data, at, seen, size, c, side, sequence, time_ns, frame,
            state, parts, free_parts, rows, values, carry,
        )  # fmt: skip
        return
    if known != MBAP:
        if seen == size and _may_go_on(data, at, size, state[c, part], side):
            _keep(data, at, 0, size, c, side, state, parts, free_parts, carry)
            return
        _drop_unless_header(c, side, state, parts, free_parts, carry)
    before = carry[C_MESSAGES]
    take_mbap(
        data, at, seen, size, c, side, sequence, time_ns, frame,
        state, parts, free_parts, rows, values, carry,
    )  # fmt: skip
    if known != MBAP and carry[C_MESSAGES] != before:
        state[c, HEARD] |= MBAP
        _drop_unless_header(c, 1 - side, state, parts, free_parts, carry)


@rare
def _as_serial(data: Bytes, at: int, size: int, c: int, side: int, state: Columns, parts: Bytes) -> int:
    """How a segment reads as serial frames: with what is kept of those before (TOGETHER, BEGUN), ALONE, or UNFIT."""
    kept = state[c, side * SIDE_COLUMNS + PART]
    if kept > 0:
        base = ((kept >> PART_SHIFT) - 1) * PART_BYTES
        fill = kept & PART_MASK
        done = _complete(parts, base, fill, data, at, size, side)
        if done > 0 and fill + done <= LONGEST and is_sound(parts, base, fill + done):
            return TOGETHER
        if is_serial(data, at, size, side):
            return ALONE
        return BEGUN if done == 0 else UNFIT
    return ALONE if is_serial(data, at, size, side) else UNFIT


@rare
def is_serial(data: Bytes, at: int, size: int, side: int) -> bool:
    """Whether a segment is serial frames one after the other, all sound, the last one perhaps only begun.

    Where an MBAP message can begin as well, nothing may be left over: its identifier, length and unit pass for a
    sound frame by chance only if the length is right too.
    """
    done = 0
    while done < size:
        length = rtu_length(data, at + done, size - done, side)
        if length < SHORTEST or length > size - done:
            begun = length == MORE or length > size - done
            can_be_mbap = size >= HEADER + MBAP_SHORTEST and plausible(data, at, size, size, side, 0)
            return done > 0 and begun and not can_be_mbap
        if not is_sound(data, at + done, length):
            return False
        done += length
    return True


@rare
def _goes_on(data: Bytes, at: int, size: int, parts: Bytes, part: int, side: int) -> bool:
    """Whether what is kept, behind which the ``size`` bytes of a segment stand already, must wait for more.

    It may be the beginning of an MBAP message as well; else none may begin in the segment.
    """
    base = ((part >> PART_SHIFT) - 1) * PART_BYTES
    fill = (part & PART_MASK) + size
    if fill < HEADER:
        return True
    if not is_header(parts, base):
        return not _holds_mbap(data, at, size, side)
    is_whole = fill >= HEADER + u16(parts, base + 4)
    return not (is_whole and plausible(parts, base, fill, fill, side, 0))


@rare
def _holds_mbap(data: Bytes, at: int, size: int, side: int) -> bool:
    """Whether an MBAP message can begin anywhere in a segment."""
    for done in range(size - HEADER - MBAP_SHORTEST + 1):
        if plausible(data, at + done, size - done, size - done, side, done):
            return True
    return False


@helper
def _is_mbap(data: Bytes, at: int, size: int, part: int, side: int) -> bool:
    """Whether a segment between messages is exactly one MBAP message."""
    return (
        part <= IN_STEP
        and size >= HEADER + MBAP_SHORTEST
        and plausible(data, at, size, size, side, 0)
        and HEADER + u16(data, at + 4) == size
    )


@rare
def _may_go_on(data: Bytes, at: int, size: int, part: int, side: int) -> bool:
    """Whether a segment in step, in which no MBAP message begins, may be the first part of a serial frame."""
    if part != IN_STEP:
        return False
    length = rtu_length(data, at, size, side)
    return (length == MORE or length > size) and not _holds_mbap(data, at, size, side)


@helper
def _drop_unless_header(
    c: int, side: int, state: Columns, parts: Bytes, free_parts: Columns, carry: Columns
) -> None:
    """Pass over what is kept, where it did not become a serial frame and is no MBAP message's beginning either."""
    kept = state[c, side * SIDE_COLUMNS + PART]
    fill = kept & PART_MASK
    if kept > 0 and fill >= HEADER:
        base = ((kept >> PART_SHIFT) - 1) * PART_BYTES
        if not is_header(parts, base) or fill >= HEADER + u16(parts, base + 4):
            drop_part(c, side, state, free_parts, carry)
            carry[C_UNDECODABLE] += 1


@rare
def _take_rtu(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, time_ns: int, frame: int,
    state: Columns, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """The same as `take_bytes` of a connection in serial framing."""
    part = side * SIDE_COLUMNS + PART
    done = 0
    if state[c, part] > 0:
        done = _take_kept(
            data, at, seen, size, c, side, sequence, time_ns, frame,
            state, parts, free_parts, rows, values, carry,
        )  # fmt: skip
    while 0 <= done < size:
        left = size - done
        length = rtu_length(data, at + done, seen - done, side) if done < seen else MORE
        if length == BY_SEGMENT and left <= LONGEST:
            length = left if left >= SHORTEST else NONE
        if length == MORE or (length > left and seen == size):
            if seen < size:
                state[c, part] = LOST
                carry[C_UNDECODABLE] += 1
                add_unrecorded(c, side, left, time_ns, frame, state, rows, carry)
            else:
                _keep(data, at, done, size, c, side, state, parts, free_parts, carry)
            return
        if length > 0 and _is_frame(data, at + done, seen - done, left, length, state[c, part]):
            emit_rtu(
                data, at + done, seen - done if seen - done < length else length, length, c, side,
                (sequence + done + length) & 0xFFFFFFFF, time_ns, frame, state, rows, values, carry,
            )  # fmt: skip
            state[c, part] = IN_STEP
            done += length
            continue
        state[c, part] = LOST
        carry[C_UNDECODABLE] += 1
        found = _next_sound(data, at, done + 1, seen, side)
        carry[C_SKIPPED] += (found if found < seen else seen) - done
        if found >= seen:
            if seen < size:
                add_unrecorded(c, side, left, time_ns, frame, state, rows, carry)
            return
        done = found


@helper
def _is_frame(data: Bytes, at: int, seen: int, left: int, length: int, part: int) -> bool:
    """Whether a frame stands there: a sound one; or, in step, one whose CRC the recorder cut off."""
    if length <= seen:
        return is_sound(data, at, length)
    return part == IN_STEP and length <= left


@rare
def _next_sound(data: Bytes, at: int, done: int, seen: int, side: int) -> int:
    """Where, from ``done`` on, a sound frame begins; ``seen`` where none is found."""
    for place in range(done, seen if seen < done + MOST_TRIED else done + MOST_TRIED):
        length = rtu_length(data, at + place, seen - place, side)
        if SHORTEST <= length <= seen - place and is_sound(data, at + place, length):
            return place
    return seen


@rare
def _take_kept(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, sequence: int, time_ns: int, frame: int,
    state: Columns, parts: Bytes, free_parts: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> int:  # fmt: skip
    """Go on with the frame that is kept; how many bytes were taken, none where it turned out to be none."""
    part = side * SIDE_COLUMNS + PART
    kept = state[c, part]
    base = ((kept >> PART_SHIFT) - 1) * PART_BYTES
    fill = kept & PART_MASK
    done = _complete(parts, base, fill, data, at, seen, side)
    if done == 0 and seen == size and fill + size <= LONGEST:
        state[c, part] = kept + size
        return size
    whole = fill + done
    if done > 0 and whole <= LONGEST and is_sound(parts, base, whole):
        emit_rtu(
            parts, base, whole, whole, c, side, (sequence + done) & 0xFFFFFFFF, time_ns, frame,
            state, rows, values, carry,
        )  # fmt: skip
        state[c, part] = kept - fill
        drop_part(c, side, state, free_parts, carry)
        state[c, part] = IN_STEP
        return done
    drop_part(c, side, state, free_parts, carry)
    carry[C_UNDECODABLE] += 1
    return 0


@rare
def _complete(parts: Bytes, base: int, fill: int, data: Bytes, at: int, seen: int, side: int) -> int:
    """Add bytes behind the ``fill`` kept ones until the frame is whole; how many it took, 0 where more must come.

    Where no frame can begin so, LONGEST. ``fill`` itself is the caller's to change.
    """
    length = rtu_length(parts, base, fill, side)
    if length != MORE and length <= fill:
        return LONGEST
    done = 0
    while done < seen and (length == MORE or fill + done < length):
        if fill + done >= LONGEST:
            return LONGEST
        parts[base + fill + done] = data[at + done]
        done += 1
        if length == MORE:
            length = rtu_length(parts, base, fill + done, side)
    if length == MORE or fill + done < length:
        return 0
    return done if length > 0 and fill + done == length else LONGEST


@rare
def _keep(
    data: Bytes, at: int, done: int, size: int, c: int, side: int, state: Columns, parts: Bytes,
    free_parts: Columns, carry: Columns,
) -> None:  # fmt: skip
    """Keep the bytes from ``done`` on for the segments that follow."""
    carry[C_FREE_PARTS] -= 1
    slot = free_parts[carry[C_FREE_PARTS]]
    for k in range(size - done):
        parts[slot * PART_BYTES + k] = data[at + done + k]
    state[c, side * SIDE_COLUMNS + PART] = (slot + 1) << PART_SHIFT | (size - done)


@rare
def emit_rtu(
    data: Bytes, at: int, seen: int, size: int, c: int, side: int, end_sequence: int, time_ns: int,
    frame: int, state: Columns, rows: Columns, values: Bytes, carry: Columns,
) -> None:  # fmt: skip
    """Add the row of one frame of ``size`` bytes, of which two at least are ``seen``."""
    pdu = size - 1 - CRC_BYTES
    state[c, SERIAL] += 1
    add_message(
        data, at + 1, seen - 1 if seen - 1 < pdu else pdu, pdu, NO_IDENTIFIER, data[at] & 0xFF, c, side,
        end_sequence, time_ns, frame, state, rows, values, carry,
    )  # fmt: skip
