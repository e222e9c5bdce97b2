"""A DHCP message in, what was asked, offered, given, refused or given back out (RFC 2131, RFC 2132)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u16, u32, u48
from mbsniff.wire.network.place import put_ipv4
from mbsniff.wire.network.rows import (
    LEASE_ASKED,
    LEASE_DECLINED,
    LEASE_GIVEN,
    LEASE_OFFERED,
    LEASE_REFUSED,
    LEASE_RELEASED,
    NOTHING,
    R_ADDRESS,
    R_AMOUNT,
    R_TARGET,
    R_TARGET_MAC,
)

PORT_SERVER, PORT_CLIENT = 67, 68  # RFC 2131, 4.1
OPTIONS = 240  # RFC 2131, 2 and 3: fixed fields, then the magic cookie
COOKIE = 0x63825363
_MOST_OPTIONS = 312  # each takes a byte at least; RFC 2131, 2: clients take at least so many bytes
_PAD, _END = 0, 255  # RFC 2132, 3
_REQUESTED, _LEASE_TIME, _MESSAGE_TYPE = 50, 51, 53  # RFC 2132, 9.1, 9.2, 9.6
_DISCOVER, _OFFER, _REQUEST, _DECLINE, _ACK, _NAK, _RELEASE = 1, 2, 3, 4, 5, 6, 7  # RFC 2132, 9.6


@rare
def read_lease(data: Bytes, at: int, end: int, out: Columns, row: int) -> int:
    """Fill a row, in which the packet's addresses stand, from the message at ``at``; its kind or NOTHING."""
    if end - at < OPTIONS or u32(data, at + 236) != COOKIE or u16(data, at + 1) != 0x0106:
        return NOTHING
    options = at + OPTIONS
    message = option(data, options, end, _MESSAGE_TYPE, 1)
    asks = message == _DISCOVER or message == _REQUEST or message == _DECLINE or message == _RELEASE
    gives = message == _OFFER or message == _ACK or message == _NAK
    if (data[at] & 0xFF) != (1 if asks else 2) or not (asks or gives):
        return NOTHING
    out[row, R_TARGET_MAC] = u48(data, at + 28)
    if asks:
        own = u32(data, at + 12)
        if own != 0:
            put_ipv4(out, row, R_ADDRESS, own)
        wanted = option(data, options, end, _REQUESTED, 4)
        put_ipv4(out, row, R_TARGET, wanted if wanted > 0 else own)
        out[row, R_AMOUNT] = message
        if message == _DECLINE:
            return LEASE_DECLINED
        return LEASE_RELEASED if message == _RELEASE else LEASE_ASKED
    given = u32(data, at + 16)
    put_ipv4(out, row, R_TARGET, given)
    out[row, R_AMOUNT] = option(data, options, end, _LEASE_TIME, 4)
    if message == _NAK:
        return LEASE_REFUSED
    if given == 0:  # RFC 2131, 4.3.5: an answer to one that has an address already
        return NOTHING
    return LEASE_OFFERED if message == _OFFER else LEASE_GIVEN


@rare
def option(data: Bytes, at: int, end: int, wanted: int, size: int) -> int:
    """The value of an option of ``size`` bytes, 1 or 4; -1 where it is missing."""
    for _ in range(_MOST_OPTIONS):
        if end - at < 1 or data[at] == _END:
            return -1
        if data[at] == _PAD:
            at += 1
            continue
        if end - at < 2:
            return -1
        length = data[at + 1] & 0xFF
        if data[at] == wanted:
            if length != size or end - at < 2 + size:
                return -1
            return u32(data, at + 2) if size == 4 else data[at + 2] & 0xFF
        at += 2 + length
    return -1
