"""One PDU in; out come the fields that a poll, a block and a reply's shape are made of.

Field layouts: MODBUS Application Protocol Specification V1.1b3, section 6, as in each comment.
"""

from __future__ import annotations

from dataclasses import dataclass

READS = {1, 2, 3, 4, 20, 23, 24}
BLOCKS = {1, 2, 3, 4, 23}
WRITES = {5, 6, 15, 16, 21, 22, 23}
ERROR_BIT = 0x80  # section 7


@dataclass(frozen=True)
class Range:
    """What a request asks for; None where its function has no such thing or the PDU is too short."""

    start: int | None = None
    quantity: int | None = None
    write_start: int | None = None
    write_quantity: int | None = None
    written: bytes | None = None


def word(pdu: bytes, at: int) -> int:
    return int.from_bytes(pdu[at : at + 2], "big")


def requested(pdu: bytes) -> Range:
    """The range of a request."""
    function, size = pdu[0], len(pdu)
    if function in (1, 2, 3, 4) and size >= 5:  # 6.1-6.4: start, quantity
        return Range(word(pdu, 1), word(pdu, 3))
    if function in (5, 6) and size >= 5:  # 6.5, 6.6: address, value
        return Range(word(pdu, 1), 1, word(pdu, 1), 1, pdu[3:5])
    if function in (15, 16) and size >= 5:  # 6.11, 6.12: start, quantity, byte count, values
        return Range(word(pdu, 1), word(pdu, 3), word(pdu, 1), word(pdu, 3), pdu[6:])
    if function in (20, 21):
        return _records(pdu)
    if function == 22 and size >= 7:  # 6.16: address, and-mask, or-mask
        return Range(word(pdu, 1), 1, word(pdu, 1), 1, pdu[3:7])
    if function == 23 and size >= 9:  # 6.17: read start and quantity, write start and quantity, bytes, values
        return Range(word(pdu, 1), word(pdu, 3), word(pdu, 5), word(pdu, 7), pdu[10:])
    if function in (8, 24) and size >= 3:  # 6.8: sub-function; 6.18: FIFO pointer address
        return Range(word(pdu, 1))
    if function == 43 and size >= 2:  # 6.19: MEI type
        return Range(pdu[1])
    return Range()


def _records(pdu: bytes) -> Range:
    """6.14, 6.15: groups of reference type, file number, record number, record length; 21 adds the data."""
    at, numbers, lengths = 2, [], []
    while at + 7 <= len(pdu):
        numbers.append(word(pdu, at + 3))
        lengths.append(word(pdu, at + 5))
        at += 7 + (2 * lengths[-1] if pdu[0] == 21 else 0)
    if not numbers:
        return Range()
    if pdu[0] == 20:
        return Range(numbers[0], sum(lengths))
    return Range(numbers[0], sum(lengths), numbers[0], sum(lengths), pdu[2:])


def fits(request: bytes, reply: bytes) -> bool:
    """Whether a reply has the shape that the request asks for: its byte count, or its echoed range."""
    function, asked = request[0], requested(request)
    if reply[0] & ERROR_BIT:
        return True
    if function in (1, 2, 3, 4, 23) and asked.quantity is not None:
        due = (asked.quantity + 7) // 8 if function in (1, 2) else 2 * asked.quantity
        return len(reply) > 1 and reply[1] == due
    if function in (5, 6, 22) and asked.start is not None:
        return len(reply) >= 3 and word(reply, 1) == asked.start
    if function in (15, 16) and asked.start is not None:
        return len(reply) >= 5 and reply[1:5] == request[1:5]
    return True
