"""Write requests of one poll in, the raw words (or bits) that they write out; -1 where they cannot be told."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange

UNKNOWN = -1
# Sections 6.5, 6.6, 6.11 and 6.16 of the MODBUS Application Protocol Specification V1.1b3.
_SINGLE_COIL, _SINGLE_REGISTER, _COILS, _MASK_WRITE = 5, 6, 15, 22

Words = NDArray[np.int64]


def written_words(exchange: Exchange, function: int, count: int, rows: NDArray[np.int32]) -> Words:
    """Shape (rows, count): each request's words, or bits, in order of address.

    UNKNOWN where the recording lacks them, and for a mask write, whose result depends on what was there.
    """
    values = exchange.value[rows].astype(np.int64)
    if function == _SINGLE_REGISTER:
        return values[:, None]
    if function == _SINGLE_COIL:
        from mbsniff.wire.request_values import COIL_OFF, COIL_ON  # with all kinds of requests: seldom needed

        known = np.select([values == COIL_ON, values == COIL_OFF], [1, 0], UNKNOWN)
        return np.asarray(known, np.int64)[:, None]
    found = np.full((len(rows), count), UNKNOWN, np.int64)
    if function == _MASK_WRITE:
        return found
    size = (count + 7) // 8 if function == _COILS else 2 * count
    has = values >= 0
    has[has] = exchange.value_table[values[has], 1] >= size
    begin = exchange.value_table[values[has], 0]
    raw = exchange.value_bytes[begin[:, None] + np.arange(size)]
    found[has] = _bits(raw, count) if function == _COILS else _registers(raw)
    return found


def _bits(raw: NDArray[np.uint8], count: int) -> Words:
    """Section 6.1: the lowest bit of the first byte comes first."""
    return np.unpackbits(raw, axis=1, bitorder="little")[:, :count].astype(np.int64)


def _registers(raw: NDArray[np.uint8]) -> Words:
    """Section 4.2: the high byte of a word comes first."""
    return raw[:, 0::2].astype(np.int64) << 8 | raw[:, 1::2]
