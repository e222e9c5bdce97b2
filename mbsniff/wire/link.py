"""A frame's bytes in, the place of its IP header out: Ethernet, VLAN tags, Linux cooked, loopback, raw IP."""

from __future__ import annotations

from mbsniff.compiled import helper
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

# IEEE 802 numbers (EtherType).
ETHERTYPE_IPV4 = 0x0800
ETHERTYPE_IPV6 = 0x86DD
TAG_8021Q = 0x8100
TAG_8021AD = 0x88A8
TAG_OLD_STACKED = 0x9100

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
        return _by_ethertype(data, at + 12, end)
    if link == LINK_LINUX_COOKED:
        if end - at < 16:
            return TOO_SHORT, at
        return _by_ethertype(data, at + 14, end)
    if link == LINK_LINUX_COOKED_2:
        if end - at < 20:
            return TOO_SHORT, at
        return _by_protocol(u16(data, at), data, at + 20, end)
    if link == LINK_RAW or link == LINK_IPV4 or link == LINK_IPV6:
        return _by_version(data, at, end)
    if link == LINK_NULL or link == LINK_LOOP:
        if end - at < 4:
            return TOO_SHORT, at
        return _by_family(data, at, end)
    return UNKNOWN_LINK, at


@helper
def _by_ethertype(data: Bytes, at: int, end: int) -> tuple[int, int]:
    """The two bytes at ``at`` are an EtherType that is within ``end``."""
    return _by_protocol(u16(data, at), data, at + 2, end)


@helper
def _by_protocol(protocol: int, data: Bytes, at: int, end: int) -> tuple[int, int]:
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
