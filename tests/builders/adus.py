"""A function code and two small numbers in, a request's and its reply's PDU out; MBAP headers around them.

Layouts: MODBUS Application Protocol Specification V1.1b3, section 6.
"""

from __future__ import annotations

import struct

FUNCTIONS = (1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43, 0x41)


def adu(identifier: int, unit: int, pdu: bytes) -> bytes:
    """MBAP header and PDU (Messaging on TCP/IP V1.0b, 3.1.3)."""
    return struct.pack(">HHHB", identifier & 0xFFFF, 0, len(pdu) + 1, unit) + pdu


def pdus(function: int, start: int, count: int, value: int) -> tuple[bytes, bytes]:
    """(request, reply) of a function: ``count`` of 1 to 16 from ``start`` on, data made of ``value``."""
    head = struct.pack(">BHH", function, start, count)
    words = struct.pack(">H", value & 0xFFFF) * count
    bits = bytes([value & 0xFF]) * ((count + 7) // 8)
    if function in (1, 2):
        return head, bytes([function, len(bits)]) + bits
    if function in (3, 4):
        return head, bytes([function, len(words)]) + words
    if function in (5, 6):
        single = struct.pack(
            ">BHH", function, start, (0xFF00 if value & 1 else 0) if function == 5 else value
        )
        return single, single
    if function == 15:
        return head + bytes([len(bits)]) + bits, head
    if function == 16:
        return head + bytes([len(words)]) + words, head
    return _rarer(function, start, count, value)


def _rarer(function: int, start: int, count: int, value: int) -> tuple[bytes, bytes]:
    words = struct.pack(">H", value & 0xFFFF) * count
    code = bytes([function])
    if function == 8:
        echo = struct.pack(">BHH", 8, start % 4, value & 0xFFFF)
        return echo, echo
    if function == 20:
        group = struct.pack(">BHHH", 6, 4, start, count)
        return code + bytes([len(group)]) + group, code + bytes([len(words) + 2, len(words) + 1, 6]) + words
    if function == 21:
        group = struct.pack(">BHHH", 6, 4, start, count) + words
        return code + bytes([len(group)]) + group, code + bytes([len(group)]) + group
    if function == 22:
        mask = struct.pack(">BHHH", 22, start, value & 0xFFFF, count)
        return mask, mask
    if function == 23:
        both = struct.pack(">BHHHHB", 23, start, count, start + 50, count, len(words)) + words
        return both, bytes([23, len(words)]) + words
    if function == 24:
        return struct.pack(">BH", 24, start), struct.pack(">BHH", 24, 2 + len(words), count) + words
    if function == 43:
        return bytes([43, 14, 1, 0]), bytes([43, 14, 1, 1, 0, 0, 1, 0, 2, 0x41, 0x42])
    simple = {7: b"\x6d", 11: b"\xff\xff\x01\x08", 12: b"\x08\0\0\x01\x08\x01\x21\x20\0", 17: b"\x02\x4d\xff"}
    return code, code + simple.get(function, words)
