"""One frame in, its TCP segment out (or None), decoded by dpkt below the link layer."""

from __future__ import annotations

import ipaddress
import struct
from dataclasses import dataclass

import dpkt

from tests.oracle.frames import Frame

# Link types as the pcap draft's registry numbers them.
NULL, ETHERNET, RAW, LOOP, LINUX_SLL, IPV4, IPV6, LINUX_SLL2 = 0, 1, 101, 108, 113, 228, 229, 276
VLAN_TAGS = {0x8100, 0x88A8, 0x9100, 0x9200}
ETHERTYPE_IPV4, ETHERTYPE_IPV6 = 0x0800, 0x86DD


@dataclass(frozen=True)
class Segment:
    """A TCP segment; ``length`` counts the payload on the wire, of which ``payload`` was recorded."""

    frame: int
    time_ns: int
    source: tuple[str, int]
    target: tuple[str, int]
    seq: int
    ack: int
    flags: int
    length: int
    payload: bytes
    checksum: int
    ip_id: int | None

    @property
    def syn(self) -> bool:
        return bool(self.flags & dpkt.tcp.TH_SYN)

    @property
    def fin(self) -> bool:
        return bool(self.flags & dpkt.tcp.TH_FIN)

    @property
    def rst(self) -> bool:
        return bool(self.flags & dpkt.tcp.TH_RST)

    @property
    def acks(self) -> bool:
        return bool(self.flags & dpkt.tcp.TH_ACK)

    @property
    def identity(self) -> tuple[object, ...]:
        """What two copies of one frame have in common."""
        return (
            self.source,
            self.target,
            self.seq,
            self.ack,
            self.flags,
            self.length,
            self.checksum,
            self.ip_id,
        )


def decode(index: int, frame: Frame) -> Segment | None:
    """The TCP segment of the recording's frame number ``index``; None for all else and for fragments."""
    start = _network_offset(frame)
    if start is None:
        return None
    try:
        packet = _packet(frame.data[start:])
    except (dpkt.UnpackError, struct.error, IndexError):
        return None
    if packet is None or not isinstance(packet.data, dpkt.tcp.TCP):
        return None
    tcp = packet.data
    length = max(_datagram_bytes(packet, frame.original - start) - tcp.off * 4, 0)
    source, target = (str(ipaddress.ip_address(a)) for a in (packet.src, packet.dst))
    return Segment(
        index,
        frame.time_ns,
        (source, tcp.sport),
        (target, tcp.dport),
        tcp.seq,
        tcp.ack,
        tcp.flags & 0xFF,
        length,
        bytes(tcp.data)[:length],
        tcp.sum,
        packet.id if isinstance(packet, dpkt.ip.IP) else None,
    )


def _network_offset(frame: Frame) -> int | None:
    """Where the IP header starts; None if the frame carries no IP."""
    if frame.link in (RAW, IPV4, IPV6):
        return 0
    if frame.link in (NULL, LOOP):
        return 4
    kind_at, start = {ETHERNET: (12, 14), LINUX_SLL: (14, 16), LINUX_SLL2: (0, 20)}.get(frame.link, (None, 0))
    if kind_at is None:
        return None
    kind = int.from_bytes(frame.data[kind_at : kind_at + 2], "big")
    while kind in VLAN_TAGS:
        kind = int.from_bytes(frame.data[start + 2 : start + 4], "big")
        start += 4
    return start if kind in (ETHERTYPE_IPV4, ETHERTYPE_IPV6) else None


def _packet(data: bytes) -> dpkt.ip.IP | dpkt.ip6.IP6 | None:
    version = data[0] >> 4
    if version == 4:
        packet = dpkt.ip.IP(data)
        return None if packet.mf or packet.offset else packet
    if version == 6:
        packet = dpkt.ip6.IP6(data)
        return None if dpkt.ip.IP_PROTO_FRAGMENT in packet.extension_hdrs else packet
    return None


def _datagram_bytes(packet: dpkt.ip.IP | dpkt.ip6.IP6, wire_bytes: int) -> int:
    """Bytes that the IP datagram carries: TCP header and payload. A length of 0 comes from offloading."""
    if isinstance(packet, dpkt.ip.IP):
        stated, headers = packet.len, packet.hl * 4
    else:
        stated = packet.plen + 40 if packet.plen else 0
        headers = 40 + sum(header.length for header in packet.all_extension_headers)
    return int(min(stated or wire_bytes, wire_bytes) - headers)
