"""A buffer of pcap records in, FrameBatch rows out: the loop (draft-ietf-opsawg-pcap, section 5)."""

from __future__ import annotations

from typing import Any

from mbsniff.capture.load import u32
from mbsniff.capture.state import (
    ABSURD,
    AT,
    BAD_TIMES,
    BIG_ENDIAN,
    CAPTURED_BYTES,
    CUT_SHORT,
    END,
    FULL,
    LAST_NS,
    LATEST_NS,
    LINK_TYPE,
    MAX_CAPTURED_BYTES,
    MORE,
    NEED,
    ORIGINAL_BYTES,
    ROWS,
    TICK_NS,
    TICKS_PER_S,
    put_row,
)
from mbsniff.compiled import helper, kernel

RECORD_HEADER_BYTES = 16


@kernel
def walk_pcap(data: Any, rows: Any, state: Any) -> int:
    """Fill rows from state[ROWS] on with the records from state[AT] to state[END]; why it stopped.

    ``data`` uint8 (n,), ``rows`` int64 (m, FRAME_COLUMNS), ``state`` int64 (STATE_COLUMNS,).
    """
    if state[BIG_ENDIAN]:
        return _walk(data, rows, state, 1)
    return _walk(data, rows, state, 0)


@helper
def _walk(data: Any, rows: Any, state: Any, big_endian: int) -> int:
    """The same in one byte order: a loop of its own for each, in which a number is a single load."""
    at, end, row = state[AT], state[END], state[ROWS]
    captured_bytes, original_bytes, cut_short = 0, 0, 0  # kept out of memory until the end
    last_ns, latest_ns = state[LAST_NS], state[LATEST_NS]
    tick_ns, ticks_per_s = state[TICK_NS], state[TICKS_PER_S]
    link = state[LINK_TYPE]
    outcome = MORE
    state[NEED] = RECORD_HEADER_BYTES
    while at >= 0 and at + RECORD_HEADER_BYTES <= end:
        if not 0 <= row < rows.shape[0]:
            outcome = FULL
            break
        captured = u32(data, at + 8, big_endian)
        if captured > MAX_CAPTURED_BYTES:
            outcome = ABSURD
            state[NEED] = captured
            break
        if captured > end - at - RECORD_HEADER_BYTES:
            state[NEED] = captured + RECORD_HEADER_BYTES
            break
        ticks = u32(data, at + 4, big_endian)
        if ticks >= ticks_per_s:
            state[BAD_TIMES] += 1
        time_ns = u32(data, at, big_endian) * 1_000_000_000 + ticks * tick_ns
        original = u32(data, at + 12, big_endian)
        if original <= captured:
            original = captured
        else:
            cut_short += 1
        put_row(rows, row, at + RECORD_HEADER_BYTES, captured, original, time_ns, link)
        captured_bytes += captured
        original_bytes += original
        last_ns = time_ns
        latest_ns = time_ns if time_ns > latest_ns else latest_ns
        row += 1
        at += RECORD_HEADER_BYTES + captured
    state[AT] = at
    state[ROWS] = row
    state[CAPTURED_BYTES] += captured_bytes
    state[ORIGINAL_BYTES] += original_bytes
    state[CUT_SHORT] += cut_short
    state[LAST_NS] = last_ns
    state[LATEST_NS] = latest_ns
    return outcome
