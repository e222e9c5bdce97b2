"""A header that only Python settles in, a `Fragment` or the packet as it arrives at its end out."""

from __future__ import annotations

from mbsniff.wire.unwrap.fragments import Fragment

_SEGMENTS = 4  # RFC 8754, 2: routing type


def fragment_at(frame: bytes, ip: int, at: int, end: int, wire_end: int) -> Fragment:
    """The fragment whose IP header is at ``ip``; ``at`` is what follows that, or the fragment header (version 6)."""
    if frame[ip] >> 4 == 4:  # RFC 791, 3.1
        field = _u16(frame, ip + 6)
        addresses = frame[ip + 12 : ip + 20]
        key = (4, addresses, _u16(frame, ip + 4), frame[ip + 9])
        offset, more, protocol = (field & 0x1FFF) * 8, bool(field & 0x2000), frame[ip + 9]
    else:  # RFC 8200, 4.5
        field = _u16(frame, at + 2)
        addresses = frame[ip + 8 : ip + 40]
        key = (6, addresses, int.from_bytes(frame[at + 4 : at + 8], "big"), 0)
        offset, more, protocol = field & 0xFFF8, bool(field & 1), frame[at]
        at += 8
    return Fragment(key, offset, max(wire_end - at, 0), more, protocol, frame[at:end])


def at_its_end(frame: bytes, ip: int, at: int, end: int) -> bytes:
    """The packet from ``ip`` as it leaves its last segment: nothing left in the routing header at ``at``, and
    the last address as its destination, which is what TCP's numbers and checksum go by (RFC 8200, 8.1).
    """
    packet = bytearray(frame[ip:end])
    header = at - ip
    size = 8 + packet[header + 1] * 8
    last = header + 8 if packet[header + 2] == _SEGMENTS else header + size - 16
    address = packet[last : last + 16]
    if len(address) == 16 and header + 8 <= last:
        packet[24:40] = address
    packet[header + 3] = 0
    return bytes(packet)


def _u16(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "big")
