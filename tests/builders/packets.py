"""Addresses, numbers and payload in, the bytes of one frame out, below any link header that mbsniff knows."""

from __future__ import annotations

import ipaddress
import struct
from dataclasses import dataclass

FIN, SYN, RST, PSH, ACK = 0x01, 0x02, 0x04, 0x08, 0x10  # RFC 9293, 3.1
# MAC addresses for documentation: RFC 7042, 2.1.2.
MACS = bytes.fromhex("00005e005301 00005e005302")
ETHERNET, RAW, COOKED, COOKED_2, NULL, LOOP, IPV4, IPV6 = 1, 101, 113, 276, 0, 108, 228, 229


@dataclass(frozen=True)
class Link:
    """A link type of the draft's registry, and the VLAN tags of Ethernet frames."""

    number: int = ETHERNET
    tags: tuple[int, ...] = ()
    order: str = "little"
    """Byte order of the address family (NULL)."""

    def wrap(self, packet: bytes) -> bytes:
        """The packet below this link's header; Ethernet pads to 60 bytes (IEEE 802.3, 3.2.8)."""
        is_ip6 = packet[0] >> 4 == 6
        ethertype = b"\x86\xdd" if is_ip6 else b"\x08\x00"
        if self.number == ETHERNET:
            tags = b"".join(struct.pack(">HH", tag, 7) for tag in self.tags)
            frame = MACS + tags + ethertype + packet
            return frame + b"\xa5" * max(60 - len(frame), 0)
        if self.number == COOKED:
            return struct.pack(">HHH8s", 0, 1, 6, MACS[:6]) + ethertype + packet
        if self.number == COOKED_2:
            return ethertype + struct.pack(">HIHBB8s", 0, 2, 1, 0, 6, MACS[:6]) + packet
        if self.number == NULL:
            return (30 if is_ip6 else 2).to_bytes(4, "little" if self.order == "little" else "big") + packet
        if self.number == LOOP:
            return (24 if is_ip6 else 2).to_bytes(4, "big") + packet
        return packet


def checksum(data: bytes) -> int:
    """The Internet checksum (RFC 1071)."""
    if len(data) % 2:
        data += b"\0"
    total = sum(struct.unpack(f">{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def tcp_packet(
    source: tuple[str, int],
    target: tuple[str, int],
    seq: int,
    ack: int,
    flags: int,
    payload: bytes = b"",
    *,
    ip_id: int = 0,
    options: bytes = b"",
    hops: int = 64,
    window: int = 8192,
) -> bytes:
    """An IP packet with a TCP segment; ``options`` are TCP's, a multiple of four bytes."""
    ends = [ipaddress.ip_address(host).packed for host, _ in (source, target)]
    offset = (20 + len(options)) // 4 << 4
    head = struct.pack(
        ">HHIIBBHHH", source[1], target[1], seq % 2**32, ack % 2**32, offset, flags, window, 0, 0
    )
    length = len(head) + len(options) + len(payload)
    pseudo = b"".join(ends) + struct.pack(">HH" if len(ends[0]) == 4 else ">II", 6, length)
    mark = checksum(pseudo + head + options + payload)
    tcp = head[:16] + mark.to_bytes(2, "big") + head[18:] + options + payload
    if len(ends[0]) == 16:
        return struct.pack(">IHBB", 0x60000000, length, 6, hops) + b"".join(ends) + tcp
    ip = struct.pack(">BBHHHBBH", 0x45, 0, 20 + length, ip_id & 0xFFFF, 0x4000, hops, 6, 0)
    ip += b"".join(ends)
    return ip[:10] + checksum(ip).to_bytes(2, "big") + ip[12:] + tcp
