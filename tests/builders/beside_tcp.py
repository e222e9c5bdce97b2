"""Addresses in, the Ethernet frames beside TCP out: ARP, ICMP, DHCP, bridges; each by hand from its figure."""

from __future__ import annotations

import ipaddress
import struct

from tests.builders.packets import checksum

EVERYONE = b"\xff" * 6
BRIDGES = bytes.fromhex("0180c2000000")  # IEEE 802.1D-2004, table 7-10
NOBODY = bytes(6)
ASKED, ANSWERED = 1, 2  # ARP (RFC 826) and BOOTP (RFC 951) operations alike
ECHO_REPLY, UNREACHABLE, ECHO = 0, 3, 8  # RFC 792
DISCOVER, OFFER, REQUEST, DECLINE, ACK, NAK, RELEASE = range(1, 8)  # RFC 2132, 9.6
TOPOLOGY_CHANGE, TOPOLOGY_CHANGE_ACK = 0x01, 0x80  # flags (IEEE 802.1D-2004, 9.3.1)
Frame = tuple[bytes, bytes]
"""Ethernet header and what it carries."""


def mac(text: str) -> bytes:
    """A hardware address as RFC 7042 writes it."""
    return bytes.fromhex(text.replace("-", ""))


def _address(text: str) -> bytes:
    return ipaddress.ip_address(text).packed


def arp(
    operation: int, sender: tuple[bytes, str], target: tuple[bytes, str], to: bytes | None = None
) -> Frame:
    """RFC 826; ``to`` is the frame's own destination (none: everyone for requests, else the target)."""
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, operation)
    body += sender[0] + _address(sender[1]) + target[0] + _address(target[1])
    whom = to or (EVERYONE if operation == ASKED else target[0])
    return whom + sender[0] + b"\x08\x06", body


def announcement(sender: bytes, address: str) -> Frame:
    """RFC 5227, 2.3: a request in which sender and target are one's own address."""
    return arp(ASKED, (sender, address), (NOBODY, address))


def address_probe(sender: bytes, address: str) -> Frame:
    """RFC 5227, 2.1.1: a request whose sender has no address yet."""
    return arp(ASKED, (sender, "0.0.0.0"), (NOBODY, address))


def _ip(protocol: int, source: str, target: str, payload: bytes, hops: int = 64) -> bytes:
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(payload), 0, 0, hops, protocol, 0)
    head += _address(source) + _address(target)
    return head[:10] + checksum(head).to_bytes(2, "big") + head[12:] + payload


def _icmp(kind: int, code: int, rest: bytes) -> bytes:
    whole = struct.pack(">BBH", kind, code, 0) + rest
    return whole[:2] + checksum(whole).to_bytes(2, "big") + whole[4:]


def echo(kind: int, source: tuple[bytes, str], target: tuple[bytes, str], number: int) -> Frame:
    """RFC 792: an echo or its reply."""
    payload = _icmp(kind, 0, struct.pack(">HH", 1, number & 0xFFFF) + bytes(range(32)))
    return target[0] + source[0] + b"\x08\x00", _ip(1, source[1], target[1], payload)


def host_error(
    code: int, source: tuple[bytes, str], target: tuple[bytes, str], quoted: bytes, hops: int = 64
) -> Frame:
    """RFC 792: destination unreachable with the beginning of the packet that it is about."""
    payload = _icmp(UNREACHABLE, code, bytes(4) + quoted[:28])
    return target[0] + source[0] + b"\x08\x00", _ip(1, source[1], target[1], payload, hops)


def dhcp(
    kind: int, client: bytes, number: int, *, server: tuple[bytes, str], given: str = "0.0.0.0",
    wanted: str | None = None, lease_s: int = 3600,
) -> Frame:  # fmt: skip
    """RFC 2131, 2; a client without an address speaks to everyone, and everyone hears the server."""
    by_client = kind in (DISCOVER, REQUEST, DECLINE, RELEASE)
    operation = ASKED if by_client else ANSWERED
    body = struct.pack(">BBBBIHH", operation, 1, 6, 0, number, 0, 0x8000)
    body += bytes(4) + _address(given) + bytes(8) + client.ljust(16, b"\0") + bytes(192)
    options = bytes((53, 1, kind))
    if wanted is not None:
        options += bytes((50, 4)) + _address(wanted)
    if not by_client:
        options += bytes((54, 4)) + _address(server[1])
    if kind in (OFFER, ACK):
        options += struct.pack(">BBI", 51, 4, lease_s)
    body += bytes.fromhex("63825363") + options + b"\xff"
    ports = (68, 67) if by_client else (67, 68)
    udp = struct.pack(">HHHH", *ports, 8 + len(body), 0) + body
    sender = (client, "0.0.0.0") if by_client else server
    return EVERYONE + sender[0] + b"\x08\x00", _ip(17, sender[1], "255.255.255.255", udp)


def bridge_hello(sender: bytes, root: bytes, *, flags: int = 0, cost: int = 0, port: int = 1) -> Frame:
    """IEEE 802.1D-2004, 9.3.1: a configuration message, below LLC 42 42 03."""
    body = struct.pack(">HBBB", 0, 0, 0, flags) + struct.pack(">H", 0x1000) + root
    body += struct.pack(">I", cost) + struct.pack(">H", 0x8000) + sender + struct.pack(">H", 0x8000 | port)
    body += struct.pack("<HHHH", 0, 20, 2, 15)  # whole seconds are the high byte (9.2.8)
    return _llc(sender, body)


def topology_notice(sender: bytes) -> Frame:
    """IEEE 802.1D-2004, 9.3.2: a topology change notification."""
    return _llc(sender, struct.pack(">HBB", 0, 0, 0x80))


def _llc(sender: bytes, body: bytes) -> Frame:
    whole = b"\x42\x42\x03" + body
    return BRIDGES + sender + len(whole).to_bytes(2, "big"), whole
