"""An ICMP message in, echo, error or neighbour discovery out (RFC 792; RFC 4443; RFC 4861)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u16, u32, u48
from mbsniff.wire.network.place import put_ipv4, put_ipv6
from mbsniff.wire.network.rows import (
    ADDRESS_ANNOUNCED,
    ADDRESS_PROBED,
    ECHO_ANSWERED,
    ECHO_ASKED,
    HOST_ERROR,
    LOOKUP_ANSWERED,
    LOOKUP_ASKED,
    NOTHING,
    R_ADDRESS,
    R_AMOUNT,
    R_MAC,
    R_TARGET,
    R_TARGET_MAC,
)

HEADER = 8  # RFC 792 and RFC 4443: what echoes and errors begin with
_ECHO_REPLY, _ECHO = 0, 8  # RFC 792
_UNREACHABLE, _QUENCH, _REDIRECT, _TIME_EXCEEDED, _PARAMETER = 3, 4, 5, 11, 12  # RFC 1122, 3.2.2: errors
_LAST_ERROR_6 = 4  # RFC 4443, 2.1: unreachable 1, too big 2, time exceeded 3, parameter problem 4
_ECHO_6, _ECHO_REPLY_6 = 128, 129  # RFC 4443, 4
_SOLICITATION, _ADVERTISEMENT = 135, 136  # RFC 4861, 4.3 and 4.4
_SOURCE_MAC, _TARGET_MAC = 1, 2  # RFC 4861, 4.6.1: options with a link-layer address
_SOLICITED = 0x40  # RFC 4861, 4.4
_NEIGHBOUR_BYTES = 24  # up to the target address's end
_GROUP = 0xFF  # RFC 4291, 2.7: the first byte of multicast addresses


@rare
def read_icmp(data: Bytes, at: int, end: int, out: Columns, row: int) -> int:
    """Fill a row, in which the packet's addresses stand, from the ICMP message at ``at``; its kind or NOTHING."""
    if end - at < HEADER:
        return NOTHING
    kind = data[at] & 0xFF
    if kind == _ECHO or kind == _ECHO_REPLY:
        out[row, R_AMOUNT] = u32(data, at + 4)
        return ECHO_ASKED if kind == _ECHO else ECHO_ANSWERED
    if (
        kind != _UNREACHABLE and kind != _QUENCH and kind != _REDIRECT and kind != _TIME_EXCEEDED
        and kind != _PARAMETER
    ):  # fmt: skip
        return NOTHING
    out[row, R_AMOUNT] = u16(data, at)
    put_ipv4(out, row, R_TARGET, 0)
    quoted = at + HEADER
    if end - quoted >= 20 and (data[quoted] & 0xF0) == 0x40:
        put_ipv4(out, row, R_TARGET, u32(data, quoted + 16))
    return HOST_ERROR


@rare
def read_icmp6(data: Bytes, ip: int, at: int, end: int, out: Columns, row: int) -> int:
    """The same of ICMPv6, behind the IPv6 header at ``ip``."""
    if end - at < HEADER:
        return NOTHING
    kind = data[at] & 0xFF
    if kind == _ECHO_6 or kind == _ECHO_REPLY_6:
        out[row, R_AMOUNT] = u32(data, at + 4)
        return ECHO_ASKED if kind == _ECHO_6 else ECHO_ANSWERED
    if 1 <= kind <= _LAST_ERROR_6:
        out[row, R_AMOUNT] = u16(data, at)
        put_ipv4(out, row, R_TARGET, 0)
        quoted = at + HEADER
        if end - quoted >= 40 and (data[quoted] & 0xF0) == 0x60:
            put_ipv6(out, row, R_TARGET, data, quoted + 24)
        return HOST_ERROR
    if end - at < _NEIGHBOUR_BYTES or data[at + 1] != 0:
        return NOTHING
    if kind == _SOLICITATION:
        return _solicitation(data, ip, at, end, out, row)
    return _advertisement(data, at, end, out, row) if kind == _ADVERTISEMENT else NOTHING


@rare
def _solicitation(data: Bytes, ip: int, at: int, end: int, out: Columns, row: int) -> int:
    """Who asks for which address; with no address of its own it probes (RFC 4862, 5.4.2)."""
    put_ipv6(out, row, R_TARGET, data, at + 8)
    if out[row, R_ADDRESS] == -1:
        return ADDRESS_PROBED
    own = _option(data, at + _NEIGHBOUR_BYTES, end, _SOURCE_MAC)
    if own >= 0:
        out[row, R_MAC] = own
    out[row, R_AMOUNT] = 0 if data[ip + 24] == _GROUP else 1
    return LOOKUP_ASKED


@rare
def _advertisement(data: Bytes, at: int, end: int, out: Columns, row: int) -> int:
    """Who has an address: the target is the sender's own, as in an ARP reply."""
    put_ipv6(out, row, R_ADDRESS, data, at + 8)
    own = _option(data, at + _NEIGHBOUR_BYTES, end, _TARGET_MAC)
    if own >= 0:
        out[row, R_MAC] = own
    if data[at + 4] & _SOLICITED:
        return LOOKUP_ANSWERED
    put_ipv6(out, row, R_TARGET, data, at + 8)
    out[row, R_TARGET_MAC] = -1
    return ADDRESS_ANNOUNCED


@rare
def _option(data: Bytes, at: int, end: int, wanted: int) -> int:
    """The hardware address in an option of neighbour discovery (RFC 4861, 4.6), -1 where it is missing."""
    while end - at >= 8:
        size = (data[at + 1] & 0xFF) * 8
        if data[at] == wanted and size == 8:
            return u48(data, at + 2)
        if size == 0:
            return -1
        at += size
    return -1
