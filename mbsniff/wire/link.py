"""A frame's bytes in, the place of its IP header out: Ethernet, VLAN tags, Linux cooked, loopback, raw IP."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import Bytes, u16, u32

# Link types: draft-ietf-opsawg-pcaplinktype, section 2.
LINK_NULL = 0
LINK_ETHERNET = 1
LINK_RAW = 101
LINK_LOOP = 108
LINK_LINUX_COOKED = 113
LINK_IPV4 = 228
LINK_IPV6 = 229
LINK_LINUX_COOKED_2 = 276
LINK_NOTHING = -2  # our own: a frame in which `mbsniff.wire.unwrap` found nothing to read

# IEEE 802 numbers (EtherType).
ETHERTYPE_IPV4 = 0x0800
ETHERTYPE_IPV6 = 0x86DD
ETHERTYPE_ARP = 0x0806
TAG_8021Q = 0x8100
TAG_8021AD = 0x88A8
TAG_OLD_STACKED = 0x9100

ETHERTYPE_MPLS = 0x8847  # RFC 3032, 5; RFC 5332 for 8848
ETHERTYPE_MPLS_UPSTREAM = 0x8848
ETHERTYPE_PPPOE = 0x8864  # RFC 2516, 4: session stage
ETHERTYPE_HSR = 0x892F  # IEC 62439-3, 5
ETHERTYPE_PROVIDER = 0x88E7  # IEEE 802.1Q, 9.7: I-TAG
ETHERTYPE_SECURED = 0x88E5  # IEEE 802.1AE, 9.8
ETHERTYPE_EXTENDER = 0x893F  # IEEE 802.1BR, 7.5: E-TAG
ETHERTYPE_REDUNDANCY = 0xF1C1  # IEEE 802.1CB, 7.8: R-TAG
ETHERTYPE_BRIDGED = 0x6558  # RFC 1701, 3: transparent Ethernet bridging
ETHERTYPE_SERVICE = 0x894F  # RFC 8300, 12.1: network service header
LONGEST_LLC = 1500  # IEEE 802.3, 3.2.6: up to this the field is a length, and LLC follows

# What network_header finds; the IP versions stand for themselves.
NOT_IP = 0
TOO_SHORT = -1
UNKNOWN_LINK = -2

IPV4 = 4
IPV6 = 6


@helper
def network_header(data: Bytes, at: int, end: int, link: int) -> tuple[int, int]:
    """(IPV4, IPV6, NOT_IP, TOO_SHORT or UNKNOWN_LINK, where that header begins)."""
    if link == LINK_ETHERNET:
        if end - at < 14:
            return TOO_SHORT, at
        return _by_next_ethertype(data, at + 12, end)
    if link == LINK_LINUX_COOKED:
        if end - at < 16:
            return TOO_SHORT, at
        return _by_next_ethertype(data, at + 14, end)
    if link == LINK_LINUX_COOKED_2:
        if end - at < 20:
            return TOO_SHORT, at
        return by_ethertype(u16(data, at), data, at + 20, end)
    if link == LINK_RAW or link == LINK_IPV4 or link == LINK_IPV6:
        return _by_version(data, at, end)
    if link == LINK_NULL or link == LINK_LOOP:
        if end - at < 4:
            return TOO_SHORT, at
        return _by_family(data, at, end)
    return (NOT_IP if link == LINK_NOTHING else UNKNOWN_LINK), at


@rare
def may_hide_ip(version: int, data: Bytes, at: int, header: int, end: int, link: int) -> bool:
    """Whether the frame at ``at``, of which `network_header` found ``version`` and ``header``, may hide IP."""
    if version == UNKNOWN_LINK:
        return is_foreign(link)
    return version == NOT_IP and hiding_ethertype(data, at, header, end, link) >= 0


@rare
def hiding_ethertype(data: Bytes, at: int, header: int, end: int, link: int) -> int:
    """The EtherType (or LLC length) of what is no IP at ``header``, where that may hide IP, else -1."""
    ethertype = ethertype_of(data, at, header, link)
    return ethertype if ethertype >= 0 and hides_ip(ethertype, data, header, end) else -1


@helper
def ethertype_of(data: Bytes, at: int, header: int, link: int) -> int:
    """The EtherType, or length, before ``header`` of the frame at ``at``; -1 where its link header has none."""
    if link == LINK_LINUX_COOKED_2 and header == at + 20:
        return u16(data, at)
    if link == LINK_ETHERNET or link == LINK_LINUX_COOKED or link == LINK_LINUX_COOKED_2:
        return u16(data, header - 2)
    return -1


@helper
def is_foreign(link: int) -> bool:
    """PPP (9, 50, 204), PPPoE (51), serial (104), wireless (105, 119, 127, 163), per-packet information (192)."""
    return (
        link == 9 or link == 50 or link == 51 or link == 104 or link == 105
        or link == 119 or link == 127 or link == 163 or link == 192 or link == 204
    )  # fmt: skip


@helper
def _by_next_ethertype(data: Bytes, at: int, end: int) -> tuple[int, int]:
    """The two bytes at ``at`` are an EtherType that is within ``end``."""
    return by_ethertype(u16(data, at), data, at + 2, end)


@helper
def by_ethertype(protocol: int, data: Bytes, at: int, end: int) -> tuple[int, int]:
    """Any number of VLAN tags (IEEE 802.1Q, 9.6) lie between a tag's EtherType and the next one."""
    while protocol == TAG_8021Q or protocol == TAG_8021AD or protocol == TAG_OLD_STACKED:
        if end - at < 4:
            return TOO_SHORT, at
        protocol = u16(data, at + 2)
        at += 4
    if protocol == ETHERTYPE_IPV4:
        return IPV4, at
    if protocol == ETHERTYPE_IPV6:
        return IPV6, at
    return NOT_IP, at


@rare
def hides_ip(protocol: int, data: Bytes, at: int, end: int) -> bool:
    """Whether IP may lie below a header of this EtherType, or below LLC with a sub-network header (RFC 1042)."""
    if protocol <= LONGEST_LLC:
        return end - at >= 8 and u16(data, at) == 0xAAAA
    return (
        protocol == ETHERTYPE_MPLS
        or protocol == ETHERTYPE_MPLS_UPSTREAM
        or protocol == ETHERTYPE_PPPOE
        or protocol == ETHERTYPE_HSR
        or protocol == ETHERTYPE_PROVIDER
        or protocol == ETHERTYPE_SECURED
        or protocol == ETHERTYPE_EXTENDER
        or protocol == ETHERTYPE_REDUNDANCY
        or protocol == ETHERTYPE_BRIDGED
        or protocol == ETHERTYPE_SERVICE
    )


@helper
def _by_version(data: Bytes, at: int, end: int) -> tuple[int, int]:
    if end - at < 1:
        return TOO_SHORT, at
    version = (data[at] & 0xFF) >> 4
    return (version if version == IPV4 or version == IPV6 else NOT_IP), at


@helper
def _by_family(data: Bytes, at: int, end: int) -> tuple[int, int]:
    """The address family is in the byte order of the machine that recorded, so either may stand here."""
    family = u32(data, at)
    if family > 0xFFFF:
        family >>= 24
    # AF_INET is 2 everywhere; AF_INET6 is 10 (Linux), 24, 28 or 30 (BSD family).
    if family == 2:
        return IPV4, at + 4
    if family == 10 or family == 24 or family == 28 or family == 30:
        return IPV6, at + 4
    return NOT_IP, at
