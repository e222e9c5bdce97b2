"""One PDU in; out come the fields that a poll, a block and a reply's shape are made of.

Field layouts: MODBUS Application Protocol Specification V1.1b3, section 6, as in each comment.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.oracle.messages import Message, word

READS = {1, 2, 3, 4, 20, 23, 24}
BLOCKS = {1, 2, 3, 4, 23}
WRITES = {5, 6, 15, 16, 21, 22, 23}
WITHOUT_DATA = {7, 11, 12, 17}  # 6.7, 6.9, 6.10, 6.13
ERROR_BIT = 0x80  # section 7


@dataclass(frozen=True)
class Range:
    """What a request asks for; None where its function has no such thing or the recording lacks it."""

    start: int | None = None
    quantity: int | None = None
    write_start: int | None = None
    write_quantity: int | None = None
    written: bytes | None = None

    @property
    def addresses(self) -> tuple[int | None, ...]:
        return self.start, self.quantity, self.write_start, self.write_quantity


def is_malformed(pdu: bytes, size: int) -> bool:
    """Whether a request's length does not fit its function; ``pdu`` has what was recorded of its bytes."""
    function, seen = pdu[0], len(pdu)
    if function <= 6 and function:
        return size != 5
    if function in (15, 16):
        registers_or_coils = word(pdu, 3)
        wanted = 2 * registers_or_coils if function == 16 else (registers_or_coils + 7) // 8
        return size < 6 or (seen >= 6 and not pdu[5] == wanted == size - 6)
    if function == 23:
        return size < 10 or (seen >= 10 and not pdu[9] == 2 * word(pdu, 7) == size - 10)
    if function in (20, 21):
        return size < 2 or (seen == size and _records(pdu) is None)
    if function == 43 and pdu[1:2] == b"\x0e":
        return size != 4
    fixed = {22: 7, 24: 3} | dict.fromkeys(WITHOUT_DATA, 1)
    return size != fixed.get(function, size)


def requested(message: Message) -> Range:
    """The range of a request."""
    pdu, seen = message.pdu, len(message.pdu)
    function = pdu[0]
    if is_malformed(pdu, message.size):
        return Range()
    if function in (1, 2, 3, 4) and seen >= 5:  # 6.1-6.4: start, quantity
        return Range(word(pdu, 1), word(pdu, 3))
    if function in (5, 6) and seen >= 5:  # 6.5, 6.6: address, value
        return Range(word(pdu, 1), 1, written=pdu[3:5])
    if function in (15, 16) and seen >= 6:  # 6.11, 6.12: start, quantity, byte count, values
        return Range(word(pdu, 1), word(pdu, 3), written=pdu[6:])
    if function in (20, 21) and seen >= 9:  # 6.14, 6.15: the first group's record number
        numbers = _records(pdu) if seen == message.size else None
        if numbers is None:
            return Range(word(pdu, 5))
        return Range(word(pdu, 5), sum(numbers), written=pdu[2:] if function == 21 else None)
    if function == 22 and seen >= 7:  # 6.16: address, and-mask, or-mask
        return Range(word(pdu, 1), 1, written=pdu[3:7])
    if (
        function == 23 and seen >= 10
    ):  # 6.17: read start and quantity, write start and quantity, bytes, values
        return Range(word(pdu, 1), word(pdu, 3), word(pdu, 5), word(pdu, 7), pdu[10:])
    if function in (8, 24) and seen >= 3:  # 6.8: sub-function; 6.18: FIFO pointer address
        return Range(word(pdu, 1))
    if function == 43 and seen >= 2:  # 6.19: MEI type
        return Range(pdu[1])
    return Range()


def _records(pdu: bytes) -> list[int] | None:
    """6.14, 6.15: the lengths of groups of reference type 6, file, record, length; in 21 data follow each."""
    at, lengths = 2, []
    while at + 7 <= len(pdu) and pdu[at] == 6:
        lengths.append(word(pdu, at + 5))
        at += 7 + (2 * lengths[-1] if pdu[0] == 21 else 0)
    return lengths if at == len(pdu) == pdu[1] + 2 else None


def fits(request: Message, reply: Message) -> bool:
    """Whether a reply has the shape that the request asks for: its byte count, or its echoed range."""
    function, asked = request.pdu[0], requested(request)
    pdu, seen = reply.pdu, len(reply.pdu)
    if pdu[0] & ERROR_BIT:
        return True
    if function in BLOCKS and asked.quantity is not None and seen >= 2:
        due = (asked.quantity + 7) // 8 if function in (1, 2) else 2 * asked.quantity
        return pdu[1] == due
    if function in (5, 6, 15, 16) and asked.start is not None and seen >= 5:
        return word(pdu, 1) == asked.start and (function <= 6 or word(pdu, 3) == asked.quantity)
    if function == 22 and asked.start is not None and seen >= 3:
        return word(pdu, 1) == asked.start
    return True
