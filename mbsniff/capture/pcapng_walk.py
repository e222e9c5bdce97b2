"""A buffer of pcapng blocks in, FrameBatch rows out: the loop (draft-ietf-opsawg-pcapng)."""

from __future__ import annotations

from typing import Any

from mbsniff.capture.load import u16, u32
from mbsniff.capture.state import (
    ABSURD,
    AT,
    BIG_ENDIAN,
    BLOCK,
    DROPS,
    END,
    FULL,
    INTERFACES,
    LAST_NS,
    LENGTH,
    LENGTHS_DIFFER,
    MAX_CAPTURED_BYTES,
    MORE,
    NEED,
    NUMBER,
    OVERFULL,
    ROWS,
    SECTION,
    SKIP,
    UNDESCRIBED,
    UNDESCRIBED_FRAME,
    UNDESCRIBED_INTERFACE,
    UNTIMED,
    put_frame,
)
from mbsniff.capture.ticks import LINK, SNAPLEN, time_ns
from mbsniff.compiled import helper, kernel, rare

# Block types: sections 4.1 to 4.6 and appendix A.
SECTION_HEADER = 0x0A0D0D0A
INTERFACE_DESCRIPTION = 1
OBSOLETE_PACKET = 2
SIMPLE_PACKET = 3
INTERFACE_STATISTICS = 5
ENHANCED_PACKET = 6

MIN_BLOCK_BYTES = 12  # section 3.1: type, length, length again
MAX_BLOCK_BYTES = MAX_CAPTURED_BYTES + (1 << 20)
"""A frame and its options have room in this; longer blocks of other types are skipped."""
_PACKET_BYTES = 32  # section 4.3 and appendix A, without data and options
_SIMPLE_BYTES = 16  # section 4.4, without data
_DROPCOUNT_OPTION = 4  # section 4.3: epb_dropcount, 64 bits
_DROPS_UNKNOWN = 0xFFFF  # appendix A: drops count
_MAX_DROPS = 1 << 62


@kernel
def walk_pcapng(data: Any, rows: Any, interfaces: Any, state: Any) -> int:
    """Fill rows from state[ROWS] on with the frames from state[AT] to state[END]; why it stopped.

    ``data`` uint8 (n,), ``rows`` int64 (m, FRAME_COLUMNS), ``interfaces`` int64 (k, INTERFACE_COLUMNS), of
    which state[INTERFACES] are described, ``state`` int64 (STATE_COLUMNS,). Sections, interfaces and
    statistics are left to the caller, who moves state[AT] behind them.
    """
    if state[BIG_ENDIAN]:
        return _walk(data, rows, interfaces, state, 1)
    return _walk(data, rows, interfaces, state, 0)


@helper
def _walk(data: Any, rows: Any, interfaces: Any, state: Any, big_endian: int) -> int:
    """The same in one byte order: a loop of its own for each, in which a number is a single load."""
    at, end, row = state[AT], state[END], state[ROWS]
    outcome = MORE
    state[NEED] = MIN_BLOCK_BYTES
    while at >= 0 and at + MIN_BLOCK_BYTES <= end:
        if not 0 <= row < rows.shape[0]:
            outcome = FULL
            break
        kind = u32(data, at, big_endian)
        length = u32(data, at + 4, big_endian)
        outcome = framing(data, state, at, end, kind, length, big_endian)
        if outcome != FULL:  # FULL: the block is all there
            break
        outcome = MORE
        if holds_frame(kind):
            if kind == SIMPLE_PACKET:
                outcome = put_simple(data, rows, interfaces, state, at, length, row, big_endian)
            else:
                outcome = put_packet(data, rows, interfaces, state, at, length, row, kind, big_endian)
            if outcome != MORE:
                break
            row += 1
        elif is_settled_outside(kind):
            outcome = BLOCK
            state[NEED] = length
            break
        at += length
        state[NEED] = MIN_BLOCK_BYTES
    state[AT] = at
    state[ROWS] = row
    return outcome


@helper
def holds_frame(kind: int) -> bool:
    """Whether blocks of this type hold a frame."""
    return OBSOLETE_PACKET <= kind <= SIMPLE_PACKET or kind == ENHANCED_PACKET


@helper
def is_settled_outside(kind: int) -> bool:
    """Whether the loop leaves blocks of this type to its caller."""
    return kind in (INTERFACE_DESCRIPTION, INTERFACE_STATISTICS)


@helper
def framing(data: Any, state: Any, at: int, end: int, kind: int, length: int, big_endian: int) -> int:
    """FULL if the block lies whole and sound in the buffer, else why not (section 3.1)."""
    if kind == SECTION_HEADER:  # reads the same in both byte orders; its length may not
        return SECTION
    if length < MIN_BLOCK_BYTES or length & 3:
        state[NEED] = length
        return LENGTH
    if length > MAX_BLOCK_BYTES:
        state[NEED] = length
        return ABSURD if holds_frame(kind) else SKIP
    if length > end - at:
        state[NEED] = length
        return MORE
    last = at + length - 4
    if last < 0 or u32(data, last, big_endian) != length:  # never below 0, which the compiler cannot know
        state[NEED] = length
        return LENGTHS_DIFFER
    return FULL


@helper
def put_packet(
    data: Any,
    rows: Any,
    interfaces: Any,
    state: Any,
    at: int,
    length: int,
    row: int,
    kind: int,
    big_endian: int,
) -> int:
    """One enhanced or obsolete packet block to one row; MORE, or what is wrong with it."""
    if length < _PACKET_BYTES:
        state[NEED] = length
        return LENGTH
    captured = u32(data, at + 20, big_endian)
    if captured > length - _PACKET_BYTES:
        state[NEED] = captured
        return OVERFULL
    if captured > MAX_CAPTURED_BYTES:
        state[NEED] = captured
        return ABSURD
    interface = u32(data, at + 8, big_endian)
    if kind == OBSOLETE_PACKET:
        interface = u16(data, at + 8, big_endian)
        drops = u16(data, at + 10, big_endian)
        if drops != _DROPS_UNKNOWN:
            add_drops(state, drops)
    else:
        options = at + 28 + ((captured + 3) >> 2 << 2)
        if options + 4 < at + length:
            read_dropcount(data, state, options, at + length - 4, big_endian)
    link = -1
    when = -1
    if interface < state[INTERFACES]:
        link = interfaces[interface, LINK]
        when = time_ns(u32(data, at + 12, big_endian), u32(data, at + 16, big_endian), interfaces, interface)
    else:
        note_undescribed(state, interface, row)
    put_frame(rows, state, row, at + 28, captured, u32(data, at + 24, big_endian), when, link)
    return MORE


@rare
def put_simple(
    data: Any, rows: Any, interfaces: Any, state: Any, at: int, length: int, row: int, big_endian: int
) -> int:
    """One simple packet block (section 4.4: interface 0, no time) to one row; MORE, or what is wrong."""
    if length < _SIMPLE_BYTES:
        state[NEED] = length
        return LENGTH
    original = u32(data, at + 8, big_endian)
    captured = original
    if captured > length - _SIMPLE_BYTES:
        captured = length - _SIMPLE_BYTES
    link = -1
    if state[INTERFACES] > 0:
        link = interfaces[0, LINK]
        if captured > interfaces[0, SNAPLEN] > 0:
            captured = interfaces[0, SNAPLEN]
    else:
        note_undescribed(state, 0, row)
    if captured > MAX_CAPTURED_BYTES:
        state[NEED] = captured
        return ABSURD
    state[UNTIMED] += 1
    put_frame(rows, state, row, at + 12, captured, original, state[LAST_NS], link)
    return MORE


@rare
def note_undescribed(state: Any, interface: int, row: int) -> None:
    """Count a frame whose interface no block describes, and remember the first."""
    if state[UNDESCRIBED] == 0:
        state[UNDESCRIBED_FRAME] = state[NUMBER] + row
        state[UNDESCRIBED_INTERFACE] = interface
    state[UNDESCRIBED] += 1


@rare
def read_dropcount(data: Any, state: Any, at: int, end: int, big_endian: int) -> None:
    """Add up epb_dropcount among the options from ``at`` to ``end`` (section 3.5)."""
    while at >= 0 and at + 4 <= end:
        code, size = u16(data, at, big_endian), u16(data, at + 2, big_endian)
        if code == 0 or size > end - at - 4:
            break
        if code == _DROPCOUNT_OPTION and size == 8:
            first, second = u32(data, at + 4, big_endian), u32(data, at + 8, big_endian)
            high = first if big_endian else second
            low = second if big_endian else first
            add_drops(state, _MAX_DROPS if high >= 1 << 30 else high << 32 | low)
        at += 4 + ((size + 3) >> 2 << 2)


@helper
def add_drops(state: Any, drops: int) -> None:
    """Add to the count of lost frames, which stays at most 2^62."""
    if state[DROPS] < 0:
        state[DROPS] = 0
    state[DROPS] = drops + state[DROPS] if drops <= _MAX_DROPS - state[DROPS] else _MAX_DROPS
