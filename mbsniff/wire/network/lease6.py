"""A DHCPv6 message in, what was asked, offered, given, refused or given back out (RFC 8415)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u16, u32, u48
from mbsniff.wire.network.place import put_ipv4, put_ipv6
from mbsniff.wire.network.rows import (
    LEASE_ASKED,
    LEASE_DECLINED,
    LEASE_GIVEN,
    LEASE_OFFERED,
    LEASE_REFUSED,
    LEASE_RELEASED,
    NOTHING,
    R_AMOUNT,
    R_TARGET,
    R_TARGET_MAC,
)

PORT_CLIENT_6, PORT_SERVER_6 = 546, 547  # RFC 8415, 7.2
_SOLICIT, _ADVERTISE, _REQUEST, _RENEW, _REBIND, _REPLY, _RELEASE, _DECLINE = 1, 2, 3, 5, 6, 7, 8, 9  # 7.3
_CLIENT_ID, _IA_NA, _IA_ADDRESS, _STATUS = 1, 3, 5, 13  # 21.2, 21.4, 21.6, 21.13
_IA_NA_FIXED = 12  # 21.4: identity and two times before the options within
_LINK_TIME, _LINK = 1, 3  # 11.2, 11.4: identifiers that hold a hardware address
_ETHERNET = 1
_MOST_OPTIONS = 64


@rare
def read_lease6(data: Bytes, at: int, end: int, out: Columns, row: int) -> int:
    """Fill a row, in which the packet's addresses stand, from the message at ``at``; its kind or NOTHING."""
    if end - at < 4:
        return NOTHING
    message = data[at] & 0xFF
    if message < _SOLICIT or message > _DECLINE or message == 4:  # 4, CONFIRM, asks for nothing
        return NOTHING
    out[row, R_TARGET_MAC] = _client(data, at + 4, end)
    put_ipv4(out, row, R_TARGET, 0)
    out[row, R_AMOUNT] = message
    identity = find_option(data, at + 4, end, _IA_NA)
    within = identity + 4 + _IA_NA_FIXED
    stop = _option_end(data, identity, end) if identity >= 0 else -1
    address = find_option(data, within, stop, _IA_ADDRESS) if identity >= 0 else -1
    has_address = address >= 0 and _option_end(data, address, stop) - address >= 28
    if has_address:
        put_ipv6(out, row, R_TARGET, data, address + 4)
    if message == _DECLINE:
        return LEASE_DECLINED
    if message == _RELEASE:
        return LEASE_RELEASED
    if message != _ADVERTISE and message != _REPLY:
        return LEASE_ASKED
    if has_address and u32(data, address + 24) > 0:  # valid lifetime, 21.6
        out[row, R_AMOUNT] = u32(data, address + 24)
        return LEASE_OFFERED if message == _ADVERTISE else LEASE_GIVEN
    status = find_option(data, within, stop, _STATUS) if identity >= 0 else -1
    if has_address or (status >= 0 and stop - status >= 6 and u16(data, status + 4) != 0):
        out[row, R_AMOUNT] = -1
        return LEASE_REFUSED
    return NOTHING


@rare
def _client(data: Bytes, at: int, end: int) -> int:
    """The hardware address in the client's identifier, -1 where it holds none."""
    found = find_option(data, at, end, _CLIENT_ID)
    if found < 0:
        return -1
    stop = _option_end(data, found, end)
    if stop - found < 8 or u16(data, found + 6) != _ETHERNET:
        return -1
    kind = u16(data, found + 4)
    if kind == _LINK_TIME and stop - found == 18:
        return u48(data, found + 12)
    return u48(data, found + 8) if kind == _LINK and stop - found == 14 else -1


@rare
def find_option(data: Bytes, at: int, end: int, wanted: int) -> int:
    """Where the option of this code begins (21.1), -1 where it is missing."""
    for _ in range(_MOST_OPTIONS):
        if end - at < 4:
            return -1
        if u16(data, at) == wanted:
            return at
        at += 4 + u16(data, at + 2)
    return -1


@rare
def _option_end(data: Bytes, at: int, end: int) -> int:
    stop = at + 4 + u16(data, at + 2)
    return stop if stop < end else end
