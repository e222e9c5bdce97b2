"""The place of an IP header in, the place of its TCP segment out: IPv4 with options, IPv6 with extensions."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.link import IPV4
from mbsniff.wire.load import Bytes, u16

# IANA protocol numbers.
IP_IN_IP = 4
TCP = 6
UDP = 17
IP6_IN_IP = 41
ROUTING = 43  # only where it holds an address that is yet to be visited
FRAGMENT = 44  # of either version
GRE = 47
ESP = 50
AUTHENTICATION = 51
ETHER_IN_IP = 97
COMPRESSED = 108
MPLS_IN_IP = 137
ETHERNET = 143
TRAILER = 256  # our own: TCP with a redundancy control trailer after the packet

# What tcp_segment finds.
FOUND = 0
OTHER_PROTOCOL = 1
DAMAGED = 2
DATAGRAM = 3  # UDP that is no tunnel
ENCLOSES = 16  # plus the number of a protocol that may enclose TCP: see `mbsniff.wire.unwrap`

# UDP ports (IANA) of what may enclose TCP.
PORT_GTP = 2152
PORT_TEREDO = 3544
PORT_ESP = 4500
PORT_GRE = 4754
PORT_VXLAN = 4789
PORT_VXLAN_GPE = 4790
PORT_GENEVE = 6081
PORT_MPLS = 6635
PORT_L2TP = 1701
PORT_VXLAN_EARLY = 8472  # common practice, from before the port was assigned
PORT_TZSP = 37008  # common practice

TRAILER_BYTES = 6
TRAILER_SUFFIX = 0x88FB  # IEC 62439-3, 4.1.10: redundancy control trailer
LONGEST = 65535  # RFC 791, 3.1; RFC 8200, 3: what the length field can say
_MOST_EXTENSIONS = 16


@helper
def tcp_segment(data: Bytes, at: int, seen_end: int, wire_end: int, version: int) -> tuple[int, int, int]:
    """(FOUND or why not, where TCP or what encloses it begins, where it ends by IP's own count).

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
    protocol = data[at + 9] & 0xFF
    if protocol != TCP or u16(data, at + 6) & 0x3FFF:  # more fragments, or not the first
        part = u16(data, at + 6) & 0x3FFF
        return _unless_tcp(data, at + header, seen_end, at + total, protocol, part)
    if at + total + TRAILER_BYTES <= seen_end and has_trailer(data, at, seen_end, wire_end):
        return ENCLOSES + TRAILER, at + header, at + total
    return FOUND, at + header, at + total


@helper
def _ipv6(data: Bytes, at: int, seen_end: int, wire_end: int) -> tuple[int, int, int]:
    """RFC 8200, section 3."""
    if seen_end - at < 40 or (data[at] & 0xF0) != 0x60:
        return DAMAGED, at, at
    length = u16(data, at + 4)
    end = at + 40 + length if length else wire_end
    if end > wire_end or end - at > 40 + LONGEST:
        return DAMAGED, at, at
    if (data[at + 6] & 0xFF) != TCP:
        return _extensions(data, at + 40, seen_end, end, data[at + 6] & 0xFF)
    if end + TRAILER_BYTES <= seen_end and has_trailer(data, at, seen_end, wire_end):
        return ENCLOSES + TRAILER, at + 40, end
    return FOUND, at + 40, end


@rare
def _extensions(data: Bytes, at: int, seen_end: int, end: int, following: int) -> tuple[int, int, int]:
    """RFC 8200, section 4; the authentication header: RFC 4302, 2.2."""
    for _ in range(_MOST_EXTENSIONS):
        if following == TCP:
            return FOUND, at, end
        if not _is_extension(following):
            return _unless_tcp(data, at, seen_end, end, following, 0)
        if seen_end - at < 8:
            return DAMAGED, at, end
        if following == FRAGMENT and u16(data, at + 2) & 0xFFF9:
            return ENCLOSES + FRAGMENT, at, end
        if following == ROUTING and data[at + 3] & 0xFF and _leads_on(data[at + 2] & 0xFF):
            return ENCLOSES + ROUTING, at, end
        size = 8 + (data[at + 1] & 0xFF) * 8
        if following == FRAGMENT:
            size = 8
        elif following == AUTHENTICATION:
            size = 8 + (data[at + 1] & 0xFF) * 4
        following = data[at] & 0xFF
        at += size
        if at > end:
            return DAMAGED, at, end
    return DAMAGED, at, end


@helper
def _is_extension(following: int) -> bool:
    """RFC 7045, 4: hop-by-hop, routing, fragment, authentication, destination, mobility, HIP, shim6."""
    return (
        following == 0 or following == ROUTING or following == FRAGMENT or following == AUTHENTICATION
        or following == 60 or following == 135 or following == 139 or following == 140
    )  # fmt: skip


@helper
def _leads_on(kind: int) -> bool:
    """Routing headers whose last address is known: source routes (RFC 5095), mobility (6275), segments (8754)."""
    return kind == 0 or kind == 2 or kind == 4


@rare
def _unless_tcp(
    data: Bytes, at: int, seen_end: int, end: int, protocol: int, part: int
) -> tuple[int, int, int]:
    """What a packet holds that is no whole TCP segment; ``part`` is IPv4's fragment field."""
    if protocol == AUTHENTICATION and part == 0 and seen_end - at >= 12:  # RFC 4302, 2
        protocol = data[at] & 0xFF
        at += 8 + (data[at + 1] & 0xFF) * 4
        if at > end:
            return DAMAGED, at, end
        if protocol == TCP:
            return FOUND, at, end
    if part:
        may_be = protocol == UDP or protocol == TCP or _encloses(protocol)
        return (ENCLOSES + FRAGMENT if may_be else OTHER_PROTOCOL), at, end
    if protocol == UDP:
        if end - at < 8 or seen_end - at < 8:
            return OTHER_PROTOCOL, at, end
        return (ENCLOSES + UDP if is_tunnel(u16(data, at), u16(data, at + 2)) else DATAGRAM), at, end
    return (ENCLOSES + protocol if _encloses(protocol) else OTHER_PROTOCOL), at, end


@helper
def _encloses(protocol: int) -> bool:
    return (
        protocol == GRE or protocol == IP_IN_IP or protocol == IP6_IN_IP or protocol == ESP
        or protocol == ETHER_IN_IP or protocol == COMPRESSED or protocol == MPLS_IN_IP or protocol == ETHERNET
    )  # fmt: skip


@helper
def is_tunnel(source: int, target: int) -> bool:
    """Whether a UDP datagram between these ports may enclose TCP."""
    return (
        target == PORT_VXLAN or target == PORT_VXLAN_EARLY or target == PORT_VXLAN_GPE or target == PORT_GENEVE
        or target == PORT_GTP or target == PORT_GRE or target == PORT_MPLS or target == PORT_TZSP
        or target == PORT_L2TP or source == PORT_L2TP
        or target == PORT_ESP or source == PORT_ESP or target == PORT_TEREDO or source == PORT_TEREDO
    )  # fmt: skip


@helper
def has_trailer(data: Bytes, at: int, seen_end: int, wire_end: int) -> bool:
    """Whether the frame of the packet at ``at`` ends with a redundancy control trailer (IEC 62439-3, 4.1.10).

    It counts the bytes after the EtherType; where VLAN tags lie before, some senders count those as well.
    """
    if seen_end != wire_end or u16(data, wire_end - 2) != TRAILER_SUFFIX:
        return False
    lan = (data[wire_end - 4] & 0xFF) >> 4
    beyond = (u16(data, wire_end - 4) & 0xFFF) - (wire_end - at)
    return (lan == 0xA or lan == 0xB) and (beyond == 0 or beyond == 4 or beyond == 8)
