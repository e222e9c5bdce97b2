"""An ARP packet in, who asks for, answers for, announces or probes which address out (RFC 826, RFC 5227)."""

from __future__ import annotations

from mbsniff.compiled import rare
from mbsniff.wire.load import Bytes, Columns, u16, u32, u48
from mbsniff.wire.network.place import GROUP, ONE_HOST, UNKNOWN_CAST, put_ipv4
from mbsniff.wire.network.rows import (
    ADDRESS_ANNOUNCED,
    ADDRESS_PROBED,
    LOOKUP_ANSWERED,
    LOOKUP_ASKED,
    NOTHING,
    R_ADDRESS,
    R_AMOUNT,
    R_MAC,
    R_TARGET,
    R_TARGET_MAC,
)

ARP_BYTES = 28  # of Ethernet and IPv4
_ETHERNET, _IEEE_802 = 1, 6  # hardware types (IANA, ARP parameters)
_IPV4 = 0x0800
_EVERYBODY = 0xFFFFFFFFFFFF
_REQUEST, _REPLY = 1, 2  # RFC 826, "Definitions": ares_op$


@rare
def read_arp(data: Bytes, at: int, end: int, cast: int, out: Columns, row: int) -> int:
    """Fill a row from the packet at ``at``; its kind, NOTHING where it is none of IPv4, or was cut short.

    The sender is whom the packet names, whoever sent the frame: that is what its receivers believe.
    """
    if end - at < ARP_BYTES or u16(data, at + 2) != _IPV4 or u16(data, at + 4) != 0x0604:
        return NOTHING
    hardware = u16(data, at)
    operation = u16(data, at + 6)
    if (hardware != _ETHERNET and hardware != _IEEE_802) or (operation != _REQUEST and operation != _REPLY):
        return NOTHING
    sender = u32(data, at + 14)
    target = u32(data, at + 24)
    target_mac = u48(data, at + 18)
    out[row, R_MAC] = u48(data, at + 8)
    if 0 < target_mac < _EVERYBODY:
        out[row, R_TARGET_MAC] = target_mac
    put_ipv4(out, row, R_ADDRESS, sender)
    put_ipv4(out, row, R_TARGET, target)
    if sender == target and sender != 0:  # RFC 5227, 2.3, as request or as reply
        return ADDRESS_ANNOUNCED
    if operation == _REPLY:
        return LOOKUP_ANSWERED
    if sender == 0:  # RFC 5227, 2.1.1
        return ADDRESS_PROBED
    if cast == UNKNOWN_CAST:
        cast = ONE_HOST if target_mac != 0 else GROUP
    out[row, R_AMOUNT] = 1 if cast == ONE_HOST else 0
    return LOOKUP_ASKED
