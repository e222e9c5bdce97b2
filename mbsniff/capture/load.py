"""Byte positions in, integers out: the loaders that the loops over capture files read through.

How they are written matters: one branch with all bytes in it becomes one load of 16 or 32 bits.
"""

from __future__ import annotations

from typing import Any

from mbsniff.compiled import helper


@helper
def u16(data: Any, at: int, big_endian: int) -> int:
    """The unsigned 16-bit number at ``at``, as int64."""
    first: int = data[at] & 255
    second: int = data[at + 1] & 255
    if big_endian:
        return first << 8 | second
    return second << 8 | first


@helper
def u32(data: Any, at: int, big_endian: int) -> int:
    """The unsigned 32-bit number at ``at``, as int64."""
    value: int = 0
    if big_endian:
        value = (
            (data[at] & 255) << 24
            | (data[at + 1] & 255) << 16
            | (data[at + 2] & 255) << 8
            | (data[at + 3] & 255)
        )
    else:
        value = (
            (data[at + 3] & 255) << 24
            | (data[at + 2] & 255) << 16
            | (data[at + 1] & 255) << 8
            | (data[at] & 255)
        )
    return value
