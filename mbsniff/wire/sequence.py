"""Two TCP sequence numbers in, the distance between them out."""

from __future__ import annotations

from mbsniff.compiled import helper


@helper
def ahead(a: int, b: int) -> int:
    """How far sequence number ``a`` lies after ``b``, modulo 2**32: in [-2**31, 2**31) (RFC 9293, 3.4)."""
    return ((a - b + 0x80000000) & 0xFFFFFFFF) - 0x80000000
