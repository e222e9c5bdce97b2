"""A pcapng block's bytes in, its options out (draft-ietf-opsawg-pcapng, section 3.5)."""

from __future__ import annotations

import struct


def read_options(block: bytes, start: int, order: str) -> tuple[dict[int, bytes], bool]:
    """The options of ``block`` from ``start`` to its end, {code: first value}, and whether they are sound."""
    found: dict[int, bytes] = {}
    at = start
    while at + 4 <= len(block):
        code, size = struct.unpack_from(order + "HH", block, at)
        if code == 0:  # opt_endofopt
            return found, True
        if size > len(block) - at - 4:
            return found, False
        found.setdefault(code, block[at + 4 : at + 4 + size])
        at += 4 + (size + 3 & ~3)
    return found, at == len(block)


def number(
    options: dict[int, bytes], code: int, size: int, order: str, *, signed: bool = False
) -> int | None:
    """The integer of exactly ``size`` bytes in an option, or None."""
    value = options.get(code)
    if value is None or len(value) != size:
        return None
    return int.from_bytes(value, "little" if order == "<" else "big", signed=signed)
