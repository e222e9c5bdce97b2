"""What an IP packet encloses in, where the enclosed frame or packet begins out."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.ip import (
    COMPRESSED,
    ESP,
    ETHER_IN_IP,
    ETHERNET,
    GRE,
    IP6_IN_IP,
    IP_IN_IP,
    MPLS_IN_IP,
    PORT_ESP,
    PORT_GENEVE,
    PORT_GRE,
    PORT_GTP,
    PORT_L2TP,
    PORT_MPLS,
    PORT_TEREDO,
    PORT_TZSP,
    PORT_VXLAN,
    PORT_VXLAN_EARLY,
    PORT_VXLAN_GPE,
    UDP,
)
from mbsniff.wire.link import (
    ETHERTYPE_BRIDGED,
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    ETHERTYPE_SERVICE,
    LINK_ETHERNET,
    LINK_RAW,
)
from mbsniff.wire.load import Bytes, Columns, u16, u32
from mbsniff.wire.unwrap.below_ip import mpls, ppp
from mbsniff.wire.unwrap.layers import (
    DAMAGED,
    FOREIGN,
    L_ETHER_IN_IP,
    L_GENEVE,
    L_GRE,
    L_IP_IN_IP,
    L_MIRROR,
    L_TEREDO,
    L_VXLAN,
    NOTHING,
    S_COMPRESSED,
    S_ESP,
    SECRET,
    TYPED,
)

GRE_MIRROR = 0x88BE  # draft-foschiano-erspan, 4.1 and 4.2
GRE_MIRROR_TIMED = 0x22EB  # the same, 4.3
GRE_PPP = 0x880B  # RFC 2637, 4.1
FOREIGN_GTP = 2  # numbers for the slow way
FOREIGN_L2TP = 3
FOREIGN_TZSP = 4
TRUNCATED = 1 << 16  # bytes added to a frame's length where the mirror cut it: IP's own length counts then


@rare
def above_ip(
    protocol: int, data: Bytes, at: int, end: int, wire_end: int, counts: Columns
) -> tuple[int, int, int]:
    """(what follows: a link type, TYPED + EtherType or one of `layers`; where; where the frame ends)."""
    if protocol == GRE:
        return _gre(data, at, end, wire_end, counts)
    if protocol == UDP:
        size = u16(data, at + 4)
        if size >= 8 and at + size < wire_end:
            wire_end = at + size
            end = end if end < wire_end else wire_end
        return _in_udp(u16(data, at), u16(data, at + 2), data, at + 8, end, wire_end, counts)
    if protocol == IP_IN_IP or protocol == IP6_IN_IP:  # RFC 2003, 3; RFC 4213, 3
        counts[L_IP_IN_IP] += 1
        return LINK_RAW, at, wire_end
    if protocol == ETHER_IN_IP:  # RFC 3378, 3: version 3, reserved
        counts[L_ETHER_IN_IP] += 1
        return LINK_ETHERNET, at + 2, wire_end
    if protocol == ETHERNET:  # RFC 8986, 4.9
        counts[L_ETHER_IN_IP] += 1
        return LINK_ETHERNET, at, wire_end
    if protocol == MPLS_IN_IP:
        kind, at = mpls(data, at, end, wire_end, counts)
        return kind, at, wire_end
    if protocol == ESP:
        counts[S_ESP] += 1
    if protocol == COMPRESSED:
        counts[S_COMPRESSED] += 1
    return SECRET, at, wire_end


@rare
def _gre(data: Bytes, at: int, end: int, wire_end: int, counts: Columns) -> tuple[int, int, int]:
    """RFC 2784, 2.1, and RFC 2890, 2: flags, protocol type; checksum, key and sequence number where flagged.

    Version 1 (RFC 2637, 4.1) always has a key, and an acknowledgement number where flagged.
    """
    if end - at < 4:
        return DAMAGED, at, wire_end
    flags = u16(data, at)
    protocol = u16(data, at + 2)
    if flags & 0x4000 or flags & 7 > 1:  # source routes (RFC 1701) are not to be taken (RFC 2784, 2.3)
        return DAMAGED, at, wire_end
    at += 4
    at += 4 if flags & 0x8000 else 0
    at += 4 if flags & 0x2000 else 0
    at += 4 if flags & 0x1000 else 0
    if flags & 7 and flags & 0x0080:
        at += 4
    if end - at < 4:
        return (NOTHING if wire_end - at < 4 else DAMAGED), at, wire_end
    if protocol == GRE_MIRROR or protocol == GRE_MIRROR_TIMED:
        return _mirrored(protocol, flags & 0x1000, data, at, end, wire_end, counts)
    counts[L_GRE] += 1
    if protocol == ETHERTYPE_BRIDGED:  # RFC 1701, RFC 7637, 3.2
        return LINK_ETHERNET, at, wire_end
    if protocol == GRE_PPP:
        kind, at = ppp(data, at, end)
        return kind, at, wire_end
    return TYPED + protocol, at, wire_end


@helper
def _mirrored(
    protocol: int, numbered: int, data: Bytes, at: int, end: int, wire_end: int, counts: Columns
) -> tuple[int, int, int]:
    """draft-foschiano-erspan, 4: without a sequence number no header, else 8 bytes, or 12 with a time stamp."""
    counts[L_MIRROR] += 1
    if protocol == GRE_MIRROR and not numbered:
        return LINK_ETHERNET, at, wire_end
    size = 8 if protocol == GRE_MIRROR else 12
    if end - at < size:
        return DAMAGED, at, wire_end
    if u16(data, at + 2) & 0x0400:  # T: the mirror cut the frame
        wire_end += TRUNCATED
    if protocol == GRE_MIRROR:
        return LINK_ETHERNET, at + 8, wire_end
    final = u16(data, at + 10)
    at += 12
    if final & 1:  # O: eight more bytes
        at += 8
    contents = final >> 10 & 0x1F  # FT: 0 an Ethernet frame, 2 an IP packet
    if contents == 2:
        return LINK_RAW, at, wire_end
    return (LINK_ETHERNET if contents == 0 else NOTHING), at, wire_end


@helper
def _in_udp(
    source: int, target: int, data: Bytes, at: int, end: int, wire_end: int, counts: Columns
) -> tuple[int, int, int]:
    if target == PORT_ESP or source == PORT_ESP:  # RFC 3948, 2: four zero bytes lead what is no ESP
        if end - at < 8 or u32(data, at) == 0:
            return NOTHING, at, wire_end
        counts[S_ESP] += 1
        return SECRET, at, wire_end
    if end - at < 8:
        return NOTHING, at, wire_end
    if target == PORT_VXLAN or target == PORT_VXLAN_EARLY or target == PORT_VXLAN_GPE:
        return _vxlan(target, data, at, wire_end, counts)
    if target == PORT_GENEVE:  # RFC 8926, 3.4: version, options' length in fours; protocol type
        counts[L_GENEVE] += 1
        protocol = u16(data, at + 2)
        at += 8 + (data[at] & 0x3F) * 4
        return (LINK_ETHERNET if protocol == ETHERTYPE_BRIDGED else TYPED + protocol), at, wire_end
    if target == PORT_GRE:  # RFC 8086, 3.1
        return _gre(data, at, end, wire_end, counts)
    if target == PORT_MPLS:  # RFC 7510, 3
        kind, at = mpls(data, at, end, wire_end, counts)
        return kind, at, wire_end
    if target == PORT_GTP:
        return FOREIGN - FOREIGN_GTP, at, wire_end
    if target == PORT_TZSP:
        return FOREIGN - FOREIGN_TZSP, at, wire_end
    if target == PORT_L2TP or source == PORT_L2TP:
        return FOREIGN - FOREIGN_L2TP, at, wire_end
    if (target == PORT_TEREDO or source == PORT_TEREDO) and (data[at] & 0xF0) == 0x60:  # RFC 4380, 5.1.1
        counts[L_TEREDO] += 1
        return LINK_RAW, at, wire_end
    return NOTHING, at, wire_end


@helper
def _vxlan(target: int, data: Bytes, at: int, wire_end: int, counts: Columns) -> tuple[int, int, int]:
    """RFC 7348, 5: flags with I set, network identifier, Ethernet; draft-ietf-nvo3-vxlan-gpe, 3: or as byte 3 says."""
    flags = data[at] & 0xFF
    if not flags & 0x08:
        return NOTHING, at, wire_end
    counts[L_VXLAN] += 1
    inner = data[at + 3] & 0xFF if target == PORT_VXLAN_GPE and flags & 0x04 else 3
    at += 8
    if inner == 1:
        return TYPED + ETHERTYPE_IPV4, at, wire_end
    if inner == 2:
        return TYPED + ETHERTYPE_IPV6, at, wire_end
    if inner == 4:
        return TYPED + ETHERTYPE_SERVICE, at, wire_end
    return (LINK_ETHERNET if inner == 3 else NOTHING), at, wire_end
