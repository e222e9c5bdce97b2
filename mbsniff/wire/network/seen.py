"""An event in, whether it is a copy or one too many out: what keeps floods bounded, and copies from counting."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import INDEX, Bytes, Columns
from mbsniff.wire.network.rows import (
    FIRST_KIND,
    ORIGIN,
    R_ADDRESS,
    R_CONNECTION,
    R_KIND,
    R_MAC,
    R_PRINT,
    R_TARGET,
    R_TIME_NS,
    RESET_ORIGIN,
)
from mbsniff.wire.state import COPY_NS

_MODULUS = (1 << 31) - 1
_FACTOR = 69_621  # Fishman and Moore 1986, as good as any

# Recent events, to know copies by: a row each, at the place that its print gives.
COPY_ROWS = 1024  # a power of two
Y_PRINT = 0
Y_TIME_NS = 1  # when it was first seen
COPY_COLUMNS = 2

# Recent questions: how often each was put in one second.
ALIKE_ROWS = 4096  # a power of two
A_KEY = 0
A_FROM_NS = 1
A_COUNT = 2
ALIKE_COLUMNS = 3
MOST_ALIKE = 8  # rows a second of one kind, sender and target, or of one connection

# Credit of each kind: one row costs ROW_NS of it.
Q_CREDIT_NS = 0
Q_TIME_NS = 1
CREDIT_COLUMNS = 2
ROW_NS = 1_000_000_000 // 64
CREDIT_NS = 2048 * ROW_NS


@helper
def fold(mix: int, value: int) -> int:
    """A number taken into a print, in [0, 2**31 - 1); nobody's safety depends on it."""
    mix = (mix * _FACTOR + (value & 0xFFFFFF)) % _MODULUS
    mix = (mix * _FACTOR + (value >> 24 & 0xFFFFFF)) % _MODULUS
    return (mix * _FACTOR + (value >> 48 & 0xFFFF)) % _MODULUS


@rare
def print_bytes(data: Bytes, at: int, end: int) -> int:
    """The print of some bytes."""
    mix = end - at if end > at else 0
    for k in range(at, end):
        mix = (mix * _FACTOR + (data[k & INDEX] & 0xFF)) % _MODULUS
    return mix


@rare
def is_seen(out: Columns, row: int, copies: Columns) -> bool:
    """Whether the row's event was seen within COPY_NS: the mirror port delivered its frame again."""
    mark = out[row, R_KIND] << 32 | out[row, R_PRINT]
    place = mark & (COPY_ROWS - 1)
    now_ns = out[row, R_TIME_NS]
    if copies[place, Y_PRINT] == mark and -COPY_NS <= now_ns - copies[place, Y_TIME_NS] <= COPY_NS:
        return True
    copies[place, Y_PRINT] = mark
    copies[place, Y_TIME_NS] = now_ns
    return False


@rare
def is_kept(kind: int, out: Columns, row: int, alike: Columns, credit: Columns) -> bool:
    """Whether there is room for the row: few alike in its second, and credit left for its kind."""
    now_ns = out[row, R_TIME_NS]
    if kind == ORIGIN or kind == RESET_ORIGIN:
        key = fold(kind, out[row, R_CONNECTION])
    else:
        key = fold(kind, out[row, R_MAC])
        for word in range(3):
            key = fold(fold(key, out[row, R_ADDRESS + word]), out[row, R_TARGET + word])
    place = key & (ALIKE_ROWS - 1)
    since_ns = now_ns - alike[place, A_FROM_NS]
    if alike[place, A_KEY] != key or since_ns >= 1_000_000_000 or since_ns <= -1_000_000_000:
        alike[place, A_KEY] = key
        alike[place, A_FROM_NS] = now_ns
        alike[place, A_COUNT] = 0
    alike[place, A_COUNT] += 1
    return alike[place, A_COUNT] <= MOST_ALIKE and _has_credit(kind - FIRST_KIND, now_ns, credit)


@helper
def _has_credit(which: int, now_ns: int, credit: Columns) -> bool:
    """Take one row's cost of a kind's credit, which grows with time up to CREDIT_NS; whether there was enough."""
    passed_ns = now_ns - credit[which, Q_TIME_NS]
    if passed_ns > 0:
        credit[which, Q_TIME_NS] = now_ns
        grown_ns = credit[which, Q_CREDIT_NS] + (passed_ns if passed_ns < CREDIT_NS else CREDIT_NS)
        credit[which, Q_CREDIT_NS] = grown_ns if grown_ns < CREDIT_NS else CREDIT_NS
    if credit[which, Q_CREDIT_NS] < ROW_NS:
        return False
    credit[which, Q_CREDIT_NS] -= ROW_NS
    return True
