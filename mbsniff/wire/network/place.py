"""A frame's link header in, hardware addresses out; addresses of packets in, words of a row out."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.link import IPV4, IPV6, LINK_ETHERNET, LINK_LINUX_COOKED, LINK_LINUX_COOKED_2
from mbsniff.wire.load import Bytes, Columns, u16, u32, u48
from mbsniff.wire.network.rows import R_ADDRESS, R_HOPS, R_TARGET

ONE_HOST, GROUP, UNKNOWN_CAST = 0, 1, -1
GROUP_BIT = 0x010000000000  # IEEE 802, 8.2.2: the first bit sent of an address
ARPHRD_ETHERNET = 1
# Packet types of Linux cooked captures (draft-ietf-opsawg-pcaplinktype): to us, broadcast, multicast, to another host.
_TO_US, _BROADCAST, _MULTICAST, _TO_OTHER = 0, 1, 2, 3


@rare
def hardware(data: Bytes, at: int, link: int) -> tuple[int, int, int]:
    """(sender's hardware address, addressee's, ONE_HOST or GROUP) of a frame with a whole link header; -1 unknown."""
    if link == LINK_ETHERNET:
        target = u48(data, at)
        return u48(data, at + 6), target, GROUP if target & GROUP_BIT else ONE_HOST
    if link == LINK_LINUX_COOKED:
        known = u16(data, at + 2) == ARPHRD_ETHERNET and u16(data, at + 4) == 6
        return (u48(data, at + 6) if known else -1), -1, _cast(u16(data, at))
    if link == LINK_LINUX_COOKED_2:
        known = u16(data, at + 8) == ARPHRD_ETHERNET and data[at + 11] == 6
        return (u48(data, at + 12) if known else -1), -1, _cast(data[at + 10] & 0xFF)
    return -1, -1, UNKNOWN_CAST


@helper
def _cast(packet_type: int) -> int:
    if packet_type == _BROADCAST or packet_type == _MULTICAST:
        return GROUP
    return ONE_HOST if packet_type == _TO_US or packet_type == _TO_OTHER else UNKNOWN_CAST


@helper
def put_ipv4(out: Columns, row: int, column: int, address: int) -> None:
    """Note an IPv4 address; 0 is none."""
    out[row, column] = IPV4 << 48 | address if address else -1
    out[row, column + 1] = 0 if address else -1
    out[row, column + 2] = 0 if address else -1


@helper
def put_ipv6(out: Columns, row: int, column: int, data: Bytes, at: int) -> None:
    """Note the IPv6 address at ``at``; the unspecified one is none."""
    first, second, third = u48(data, at), u48(data, at + 6), u32(data, at + 12)
    some = first | second | third
    out[row, column] = IPV6 << 48 | first if some else -1
    out[row, column + 1] = second if some else -1
    out[row, column + 2] = third if some else -1


@helper
def put_packet(out: Columns, row: int, data: Bytes, ip: int, version: int) -> None:
    """Note source, destination and hop count of the IP header at ``ip`` (RFC 791, 3.1; RFC 8200, 3)."""
    if version == IPV4:
        put_ipv4(out, row, R_ADDRESS, u32(data, ip + 12))
        put_ipv4(out, row, R_TARGET, u32(data, ip + 16))
        out[row, R_HOPS] = data[ip + 8] & 0xFF
    else:
        put_ipv6(out, row, R_ADDRESS, data, ip + 8)
        put_ipv6(out, row, R_TARGET, data, ip + 24)
        out[row, R_HOPS] = data[ip + 7] & 0xFF
