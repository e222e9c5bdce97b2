"""A recording → its frames as plain rows, read with dpkt alone: no line of mbsniff is used here."""

from __future__ import annotations

import gzip
import socket
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import dpkt

SAMPLES = Path(__file__).parents[2] / "samples"
NAMES = {  # the last byte of a hardware address, as samples/README.md lists them
    0x10: "plc", 0x20: "station", 0x30: "terminal", 0x57: "gateway", 0x99: "stranger",
    **{0x50 + n: f"zone{n}" for n in range(1, 7)},
}  # fmt: skip
ADDRESSES = {
    "192.0.2.10": "plc", "192.0.2.20": "station", "192.0.2.30": "terminal", "192.0.2.57": "gateway",
    **{f"192.0.2.{50 + n}": f"zone{n}" for n in range(1, 7)},
}  # fmt: skip
FIN, SYN, RST, ACK = dpkt.tcp.TH_FIN, dpkt.tcp.TH_SYN, dpkt.tcp.TH_RST, dpkt.tcp.TH_ACK
SPANNING_TREE = bytes.fromhex("0180c2000000")  # IEEE 802.1D-1998, table 7-9


@dataclass(frozen=True)
class Frame:
    """One frame; ``by`` is who sent it by hardware address, ``source`` and ``target`` by IP or ARP address.

    ``kind``: "tcp", "icmp", "udp", "arp" or "tree". ``data`` is the payload of the last layer that was read.
    """

    at_s: float
    by: str
    kind: str
    source: str = ""
    target: str = ""
    sport: int = 0
    dport: int = 0
    seq: int = 0
    ack: int = 0
    flags: int = 0
    ttl: int = 0
    window: int = 0
    data: bytes = b""
    is_request: bool = False  # ARP who-has, ICMP echo request

    @property
    def is_announcement(self) -> bool:
        """An ARP Announcement: sender and target address are equal (RFC 5227, section 2.3)."""
        return self.kind == "arp" and self.is_request and self.source == self.target

    def has(self, *flags: int) -> bool:
        """Whether it is a TCP segment with all of these flags."""
        return self.kind == "tcp" and all(self.flags & flag for flag in flags)

    @property
    def function(self) -> int:
        """The Modbus function code of a segment that begins with a message; 0 where there is none."""
        return self.data[7] if self.kind == "tcp" and len(self.data) > 7 else 0

    @property
    def transaction(self) -> tuple[int, int]:
        """The client's port and the transaction identifier (MBAP header, bytes 0 and 1)."""
        return max(self.sport, self.dport), int.from_bytes(self.data[:2], "big")


def _of_tcp(at_s: float, by: str, ip: dpkt.ip.IP) -> Frame:
    tcp, ends = ip.data, _ends(ip.src, ip.dst)
    numbers = (tcp.sport, tcp.dport, tcp.seq, tcp.ack, tcp.flags, ip.ttl, tcp.win)
    return Frame(at_s, by, "tcp", *ends, *numbers, bytes(tcp.data))


def _of_icmp(at_s: float, by: str, ip: dpkt.ip.IP) -> Frame:
    echo = ip.data.type == dpkt.icmp.ICMP_ECHO
    return Frame(at_s, by, "icmp", *_ends(ip.src, ip.dst), ttl=ip.ttl, is_request=echo)


def _of_udp(at_s: float, by: str, ip: dpkt.ip.IP) -> Frame:
    udp = ip.data
    return Frame(at_s, by, "udp", *_ends(ip.src, ip.dst), udp.sport, udp.dport, data=bytes(udp.data))


READERS: dict[type, Callable[[float, str, dpkt.ip.IP], Frame]] = {
    dpkt.tcp.TCP: _of_tcp, dpkt.icmp.ICMP: _of_icmp, dpkt.udp.UDP: _of_udp,
}  # fmt: skip


def _ends(source: bytes, target: bytes) -> tuple[str, str]:
    names = [socket.inet_ntoa(address) for address in (source, target)]
    return ADDRESSES.get(names[0], names[0]), ADDRESSES.get(names[1], names[1])


def _row(at_s: float, data: bytes) -> Frame | None:
    by = NAMES.get(data[11], data[6:12].hex())
    if data[:6] == SPANNING_TREE:
        return Frame(at_s, by, "tree", data=data[17:])  # after 802.3 and LLC headers
    layers = dpkt.ethernet.Ethernet(data)
    inner = layers.data
    if isinstance(inner, dpkt.arp.ARP):
        asks = inner.op == dpkt.arp.ARP_OP_REQUEST
        by = NAMES.get(inner.sha[5], inner.sha.hex())
        return Frame(at_s, by, "arp", *_ends(inner.spa, inner.tpa), is_request=asks)
    reader = READERS.get(type(inner.data)) if isinstance(inner, dpkt.ip.IP) else None
    return reader(at_s, by, inner) if reader else None


@cache
def frames(file: str) -> tuple[Frame, ...]:
    """The frames of a recording under samples/, times from its first frame on; others than the above left out."""
    with gzip.open(SAMPLES / file) as stream:
        records = list(dpkt.pcap.Reader(stream))
    begin = records[0][0]
    rows = [_row(float(time - begin), data) for time, data in records]
    return tuple(row for row in rows if row)
