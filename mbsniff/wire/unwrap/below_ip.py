"""A header that lies between a frame's EtherType and IP in, what follows it out."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.link import (
    ETHERTYPE_ARP,
    ETHERTYPE_BRIDGED,
    ETHERTYPE_EXTENDER,
    ETHERTYPE_HSR,
    ETHERTYPE_IPV4,
    ETHERTYPE_IPV6,
    ETHERTYPE_MPLS,
    ETHERTYPE_MPLS_UPSTREAM,
    ETHERTYPE_PPPOE,
    ETHERTYPE_PROVIDER,
    ETHERTYPE_REDUNDANCY,
    ETHERTYPE_SECURED,
    ETHERTYPE_SERVICE,
    LINK_ETHERNET,
    LINK_RAW,
    LONGEST_LLC,
    NOT_IP,
    by_ethertype,
    hides_ip,
)
from mbsniff.wire.load import Bytes, Columns, u16, u32
from mbsniff.wire.unwrap.layers import (
    DAMAGED,
    FOREIGN,
    L_FRER,
    L_HSR,
    L_LLC,
    L_MPLS,
    L_PPPOE,
    L_SECURED,
    L_TAGS,
    NOTHING,
    S_MACSEC,
    SECRET,
    TYPED,
)

FOREIGN_SERVICE = 1  # number of the network service header for the slow way
_MOST_LABELS = 16
PPP_IPV4 = 0x0021  # IANA: PPP DLL protocol numbers
PPP_IPV6 = 0x0057
PPP_MPLS = 0x0281
PPP_MPLS_UPSTREAM = 0x0283


@rare
def below_ip(
    ethertype: int, data: Bytes, at: int, end: int, wire_end: int, counts: Columns
) -> tuple[int, int, int]:
    """(what follows: a link type, TYPED + EtherType or one of `layers`; where; where the frame ends)."""
    if ethertype <= LONGEST_LLC:
        return _llc(ethertype, data, at, end, wire_end, counts)
    if ethertype == ETHERTYPE_MPLS or ethertype == ETHERTYPE_MPLS_UPSTREAM:
        kind, at = mpls(data, at, end, wire_end, counts)
        return kind, at, wire_end
    if ethertype == ETHERTYPE_PPPOE:
        return _pppoe(data, at, end, wire_end, counts)
    if ethertype == ETHERTYPE_HSR:  # IEC 62439-3, 5.7: path and size, sequence number, EtherType
        return _tag(data, at, end, wire_end, 4, L_HSR, counts)
    if ethertype == ETHERTYPE_REDUNDANCY:  # IEEE 802.1CB, 7.8: reserved, sequence number, EtherType
        return _tag(data, at, end, wire_end, 4, L_FRER, counts)
    if ethertype == ETHERTYPE_EXTENDER:  # IEEE 802.1BR, 7.5
        return _tag(data, at, end, wire_end, 6, L_TAGS, counts)
    if ethertype == ETHERTYPE_PROVIDER:  # IEEE 802.1Q, 9.7: four bytes, then the customer's frame
        counts[L_TAGS] += 1
        return LINK_ETHERNET, at + 4, wire_end
    if ethertype == ETHERTYPE_BRIDGED:
        return LINK_ETHERNET, at, wire_end
    if ethertype == ETHERTYPE_SECURED:
        return _secured(data, at, end, wire_end, counts)
    if ethertype == ETHERTYPE_SERVICE:
        return FOREIGN - FOREIGN_SERVICE, at, wire_end
    return NOTHING, at, wire_end


@helper
def _tag(
    data: Bytes, at: int, end: int, wire_end: int, size: int, layer: int, counts: Columns
) -> tuple[int, int, int]:
    """A tag of ``size`` bytes with the next EtherType behind it."""
    if end - at < size + 2:
        return DAMAGED, at, wire_end
    counts[layer] += 1
    return TYPED + u16(data, at + size), at + size + 2, wire_end


@helper
def _llc(length: int, data: Bytes, at: int, end: int, wire_end: int, counts: Columns) -> tuple[int, int, int]:
    """RFC 1042: logical link control AA AA 03, organisation 0 (or 0000F8, IEEE 802.1H), EtherType."""
    if end - at < 8 or u32(data, at) >> 8 != 0xAAAA03 or length < 8:
        return NOTHING, at, wire_end
    organisation = u32(data, at + 2) & 0xFFFFFF
    if organisation != 0 and organisation != 0xF8:
        return NOTHING, at, wire_end
    counts[L_LLC] += 1
    if at + length < wire_end:
        wire_end = at + length
    return TYPED + u16(data, at + 6), at + 8, wire_end


@helper
def _pppoe(data: Bytes, at: int, end: int, wire_end: int, counts: Columns) -> tuple[int, int, int]:
    """RFC 2516, 4: version and type 1, code 0, session, length; then PPP."""
    if end - at < 8:
        return DAMAGED, at, wire_end
    length = u16(data, at + 4)
    if u16(data, at) != 0x1100 or at + 6 + length > wire_end:
        return DAMAGED, at, wire_end
    counts[L_PPPOE] += 1
    wire_end = at + 6 + length
    kind, at = ppp(data, at + 6, end if end < wire_end else wire_end)
    return kind, at, wire_end


@rare
def ppp(data: Bytes, at: int, end: int) -> tuple[int, int]:
    """RFC 1661, 2 and 6.5; RFC 1662, 3.1: address and control FF 03 may lead, an odd first byte is all of it."""
    if end - at < 4:
        return DAMAGED, at
    if u16(data, at) == 0xFF03:
        at += 2
    protocol = u16(data, at)
    size = 2
    if protocol & 0x0100:
        protocol >>= 8
        size = 1
    if protocol == PPP_IPV4:
        return TYPED + ETHERTYPE_IPV4, at + size
    if protocol == PPP_IPV6:
        return TYPED + ETHERTYPE_IPV6, at + size
    if protocol == PPP_MPLS or protocol == PPP_MPLS_UPSTREAM:
        return TYPED + ETHERTYPE_MPLS, at + size
    return NOTHING, at


@rare
def mpls(data: Bytes, at: int, end: int, wire_end: int, counts: Columns) -> tuple[int, int]:
    """RFC 3032, 2.1: labels of four bytes up to the one with the bottom bit; what follows is not named.

    IP where its version and length are plausible; else Ethernet, below a control word (RFC 4448, 4.6) where
    only so a known EtherType stands in its place.
    """
    counts[L_MPLS] += 1
    for _ in range(_MOST_LABELS):
        if end - at < 4:
            return DAMAGED, at
        at += 4
        if data[at - 2] & 1:
            if end - at < 20:
                return NOTHING, at
            if _is_ip(data, at, wire_end):
                return LINK_RAW, at
            below_control = u16(data, at) == 0 and not _is_known(data, at + 12, end)
            return LINK_ETHERNET, (at + 4 if below_control and _is_known(data, at + 16, end) else at)
    return DAMAGED, at


@rare
def _is_known(data: Bytes, at: int, end: int) -> bool:
    """Whether a familiar EtherType is at ``at``."""
    if end - at < 2:
        return False
    ethertype = u16(data, at)
    if ethertype == ETHERTYPE_ARP or hides_ip(ethertype, data, at + 2, end):
        return True
    return by_ethertype(ethertype, data, at + 2, end)[0] != NOT_IP


@helper
def _is_ip(data: Bytes, at: int, wire_end: int) -> bool:
    version = (data[at] & 0xF0) >> 4
    if version == 4:
        return (data[at] & 0x0F) >= 5 and 20 <= u16(data, at + 2) <= wire_end - at
    return version == 6 and u16(data, at + 4) + 40 <= wire_end - at


@helper
def _secured(data: Bytes, at: int, end: int, wire_end: int, counts: Columns) -> tuple[int, int, int]:
    """IEEE 802.1AE, 9.3: tag control, short length, packet number, perhaps the channel; a check value ends it."""
    if end - at < 16:
        return DAMAGED, at, wire_end
    control = data[at] & 0xFF
    if control & 0x0C:  # encrypted, or changed text
        counts[S_MACSEC] += 1
        return SECRET, at, wire_end
    counts[L_SECURED] += 1
    at += 14 if control & 0x20 else 6
    return TYPED + u16(data, at), at + 2, wire_end - 16
