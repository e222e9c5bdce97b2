"""The place of an IP header in, the place of its TCP segment out: IPv4 with options, IPv6 with extensions."""

from __future__ import annotations

from mbsniff.compiled import helper
from mbsniff.wire.link import IPV4
from mbsniff.wire.load import Bytes, u16

TCP = 6  # IANA protocol number

# What tcp_segment finds.
FOUND = 0
OTHER_PROTOCOL = 1
DAMAGED = 2
FRAGMENT = 3

LONGEST = 65535  # RFC 791, 3.1; RFC 8200, 3: what the length field can say
_MOST_EXTENSIONS = 16


@helper
def tcp_segment(data: Bytes, at: int, seen_end: int, wire_end: int, version: int) -> tuple[int, int, int]:
    """(FOUND or why not, where TCP begins, where it ends by IP's own count).

    ``seen_end`` bounds what may be read; ``wire_end`` what was on the wire, padding included, so that the
    segment may end after ``seen_end`` where the recorder cut the frame, but never after ``wire_end``.
    """
    if version == IPV4:
        return _ipv4(data, at, seen_end, wire_end)
    return _ipv6(data, at, seen_end, wire_end)


@helper
def _ipv4(data: Bytes, at: int, seen_end: int, wire_end: int) -> tuple[int, int, int]:
    """RFC 791, section 3.1."""
    if seen_end - at < 20 or (data[at] & 0xF0) != 0x40:
        return DAMAGED, at, at
    header = (data[at] & 0x0F) * 4
    total = u16(data, at + 2)
    if total == 0:  # left open by a network card that cuts segments itself
        total = wire_end - at
    if header < 20 or total < header or at + total > wire_end or at + header > seen_end or total > LONGEST:
        return DAMAGED, at, at
    if (data[at + 9] & 0xFF) != TCP:
        return OTHER_PROTOCOL, at, at
    if u16(data, at + 6) & 0x3FFF:  # more fragments, or not the first
        return FRAGMENT, at, at
    return FOUND, at + header, at + total


@helper
def _ipv6(data: Bytes, at: int, seen_end: int, wire_end: int) -> tuple[int, int, int]:
    """RFC 8200, sections 3 and 4; the authentication header: RFC 4302, 2.2."""
    if seen_end - at < 40 or (data[at] & 0xF0) != 0x60:
        return DAMAGED, at, at
    length = u16(data, at + 4)
    end = at + 40 + length if length else wire_end
    if end > wire_end or end - at > 40 + LONGEST:
        return DAMAGED, at, at
    following = data[at + 6] & 0xFF
    at += 40
    for _ in range(_MOST_EXTENSIONS):
        if following == TCP:
            return FOUND, at, end
        if not (following == 0 or following == 43 or following == 44 or following == 51 or following == 60):
            return OTHER_PROTOCOL, at, end
        if seen_end - at < 8:
            return DAMAGED, at, end
        if following == 44 and u16(data, at + 2) & 0xFFF9:
            return FRAGMENT, at, end
        size = 8 + (data[at + 1] & 0xFF) * 8
        if following == 44:
            size = 8
        elif following == 51:
            size = 8 + (data[at + 1] & 0xFF) * 4
        following = data[at] & 0xFF
        at += size
        if at > end:
            return DAMAGED, at, end
    return DAMAGED, at, end
