"""Bytes of serial-line framing in, the length of the frame there and whether its CRC is right out.

Unit identifier, PDU, CRC-16: MODBUS over Serial Line V1.02, 2.5.1. No field states a frame's length; it follows from
the function code and the byte counts (MODBUS Application Protocol V1.1b3, 6).
"""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import Bytes, u16
from mbsniff.wire.rows import CLIENT

SHORTEST = 4  # unit identifier, function code, CRC
LONGEST = 256  # V1.02, 2.5.1.1
CRC_BYTES = 2

# What rtu_length answers where there is no length.
MORE = 0  # the bytes that tell it are yet to come
NONE = -1  # no frame can begin so
BY_SEGMENT = -2  # the function's format states none: such a frame is exactly what one segment holds

_SET = 0xFFFF  # the register's start: all ones (V1.02, 6.2.2)
_ODD = 0x6996  # bit n: whether n has an odd number of ones
_MEI_IDENTIFICATION = 14  # V1.1b3, 6.21


@helper
def crc_16(data: Bytes, at: int, size: int) -> int:
    """CRC-16 of ``size`` bytes: polynomial A001, least significant bit first (V1.02, 6.2.2).

    The eight steps of a byte, done at once: each one in it flips two bits of the register's upper part, and an
    odd number of them the ends.
    """
    crc = _SET
    for k in range(size):
        flips = (crc ^ data[at + k]) & 0xFF
        crc >>= 8
        if _ODD >> ((flips ^ flips >> 4) & 0xF) & 1:
            crc ^= 0xC001
        crc ^= flips << 6 ^ flips << 7
    return crc


@rare
def is_sound(data: Bytes, at: int, size: int) -> bool:
    """Whether the last two of ``size`` bytes (at least SHORTEST) are the others' CRC, low byte first."""
    end = at + size - CRC_BYTES
    return crc_16(data, at, size - CRC_BYTES) == (data[end] & 0xFF) | (data[end + 1] & 0xFF) << 8


@rare
def rtu_length(data: Bytes, at: int, seen: int, side: int) -> int:
    """Length of the frame that may begin at ``at``, CRC included; MORE, NONE or BY_SEGMENT.

    ``seen`` is how many bytes may be read, ``side`` who sends it: CLIENT or SERVER.
    """
    if seen < 2:
        return MORE
    function = data[at + 1] & 0xFF
    if function == 0 or function == 0x80:
        return NONE
    length = _request(data, at, seen, function) if side == CLIENT else _reply(data, at, seen, function)
    return length if length <= LONGEST else NONE


@helper
def _request(data: Bytes, at: int, seen: int, function: int) -> int:
    if function > 0x80:
        return NONE
    if function <= 6 or function == 8:  # 6.1 to 6.6, 6.8
        return 8
    if function == 15 or function == 16:  # 6.11, 6.12
        return 9 + (data[at + 6] & 0xFF) if seen > 6 else MORE
    if function == 23:  # 6.17
        return 13 + (data[at + 10] & 0xFF) if seen > 10 else MORE
    if function == 20 or function == 21:  # 6.14, 6.15
        return 5 + (data[at + 2] & 0xFF) if seen > 2 else MORE
    if function == 22:  # 6.16
        return 10
    if function == 24:  # 6.18
        return 6
    if function == 7 or function == 11 or function == 12 or function == 17:  # 6.7, 6.9, 6.10, 6.13
        return 4
    if function == 43:  # 6.19
        if seen <= 2:
            return MORE
        return 7 if data[at + 2] == _MEI_IDENTIFICATION else BY_SEGMENT
    return BY_SEGMENT


@helper
def _reply(data: Bytes, at: int, seen: int, function: int) -> int:
    if function > 0x80:  # 7
        return 5 if _is_public(function & 0x7F) else BY_SEGMENT
    if (
        function <= 4 or function == 12 or function == 17
        or function == 20 or function == 21 or function == 23
    ):  # fmt: skip
        return 5 + (data[at + 2] & 0xFF) if seen > 2 else MORE
    if function <= 6 or function == 8 or function == 11 or function == 15 or function == 16:
        return 8
    if function == 7:
        return 5
    if function == 22:
        return 10
    if function == 24:  # its byte count has two bytes
        return 6 + u16(data, at + 2) if seen > 3 else MORE
    if function == 43:
        if seen <= 2:
            return MORE
        return _identification(data, at, seen) if data[at + 2] == _MEI_IDENTIFICATION else BY_SEGMENT
    return BY_SEGMENT


@helper
def _is_public(function: int) -> bool:
    """Whether the function code is one of V1.1b3, 5.1."""
    return (
        function <= 8 or function == 11 or function == 12 or 15 <= function <= 17 or 20 <= function <= 24
        or function == 43
    )  # fmt: skip


@rare
def _identification(data: Bytes, at: int, seen: int) -> int:
    """A reply with objects, each of which states its own length (6.21)."""
    if seen < 8:
        return MORE
    length = 8
    for _ in range(data[at + 7] & 0xFF):
        if length > LONGEST:
            return NONE
        if seen < length + 2:
            return MORE
        length += 2 + (data[at + length + 1] & 0xFF)
    return length + CRC_BYTES
