"""A reader's state between calls of its loop: which column of the int64 array holds what."""

from __future__ import annotations

from typing import Any

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION, TIME_NS
from mbsniff.compiled import helper

# Where the loop stands.
AT = 0  # next byte of the buffer to look at
END = 1  # where the buffer's bytes end
ROWS = 2  # rows filled
NEED = 3  # bytes that must follow AT before the loop can go on
NUMBER = 4  # frame number, within the file, of row 0
BIG_ENDIAN = 5
# What it has seen so far.
LAST_NS = 6
LATEST_NS = 7
CAPTURED_BYTES = 8
ORIGINAL_BYTES = 9
CUT_SHORT = 10
BAD_TIMES = 11
UNTIMED = 12
# pcap: from the file header.
TICK_NS = 13
TICKS_PER_S = 14
LINK_TYPE = 15
# pcapng: from the section's other blocks.
INTERFACES = 16
DROPS = 17  # sum of epb_dropcount; -1 where no block had it
UNDESCRIBED = 18  # frames of interfaces that no block describes
UNDESCRIBED_FRAME = 19  # number of the first of them
UNDESCRIBED_INTERFACE = 20
STATE_COLUMNS = 21

# Why a loop came back.
MORE = 0  # fewer than NEED bytes are left
FULL = 1  # no row is left
ABSURD = 2  # NEED holds a length that no frame has
LENGTH = 3  # pcapng: a block length that is too small or no multiple of 4
LENGTHS_DIFFER = 4  # pcapng: the length after a block is not the one before it
OVERFULL = 5  # pcapng: a frame longer than its block
SECTION = 6  # pcapng: a section header
BLOCK = 7  # pcapng: an interface description, or interface statistics
SKIP = 8  # pcapng: a block of NEED bytes that holds no frame and is too long to wait for

MAX_CAPTURED_BYTES = 4 << 20
"""No link carries frames this long: a record that claims more is damaged."""


@helper
def put_frame(
    rows: Any, state: Any, row: int, position: int, captured: int, original: int, time_ns: int, link: int
) -> None:
    """Write one row and count it; a time of -1 stands for one that is out of range."""
    if time_ns < 0:
        state[BAD_TIMES] += 1
        time_ns = state[LAST_NS]
    if original <= captured:
        original = captured
    else:
        state[CUT_SHORT] += 1
    put_row(rows, row, position, captured, original, time_ns, link)
    state[CAPTURED_BYTES] += captured
    state[ORIGINAL_BYTES] += original
    state[LAST_NS] = time_ns
    if time_ns > state[LATEST_NS]:
        state[LATEST_NS] = time_ns


@helper
def put_row(
    rows: Any, row: int, position: int, captured: int, original: int, time_ns: int, link: int
) -> None:
    """Write one row."""
    rows[row, POSITION] = position
    rows[row, CAPTURED] = captured
    rows[row, ORIGINAL] = original
    rows[row, TIME_NS] = time_ns
    rows[row, LINK] = link
