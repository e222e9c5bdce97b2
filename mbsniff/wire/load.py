"""Bytes in, integers out: network byte order, every result an int64 (see mbsniff.compiled)."""

from __future__ import annotations

from mbsniff.compiled import helper

Bytes = memoryview  # uncompiled; compiled: NDArray[np.uint8]
Columns = memoryview  # of int64 uncompiled; compiled: NDArray[np.int64]

INDEX = (1 << 40) - 1  # masks an index: the compiler then knows that it is not negative


@helper
def u16(data: Bytes, at: int) -> int:
    """Two bytes."""
    return (data[at] & 0xFF) << 8 | (data[at + 1] & 0xFF)


@helper
def u32(data: Bytes, at: int) -> int:
    """Four bytes."""
    return (
        (data[at] & 0xFF) << 24
        | (data[at + 1] & 0xFF) << 16
        | (data[at + 2] & 0xFF) << 8
        | (data[at + 3] & 0xFF)
    )


@helper
def u48(data: Bytes, at: int) -> int:
    """Six bytes."""
    return u16(data, at) << 32 | u32(data, at + 2)
