"""Calls such as "the master asks at 1.5 s" in, a pcap file of TCP frames out: for the oracle's own tests."""

from __future__ import annotations

import ipaddress
import struct
from dataclasses import dataclass, field
from pathlib import Path

import dpkt

from tests.oracle.layers import ETHERNET

EPOCH_S = 1_767_323_045  # 2026-01-02T03:04:05Z
ACK, SYN, FIN, RST = dpkt.tcp.TH_ACK, dpkt.tcp.TH_SYN, dpkt.tcp.TH_FIN, dpkt.tcp.TH_RST
MACS = b"\x00\x00\x5e\x00\x53\x01\x00\x00\x5e\x00\x53\x02"


def adu(transaction: int, unit: int, pdu: str) -> bytes:
    """MBAP header and PDU, the latter given as hex."""
    body = bytes.fromhex(pdu)
    return struct.pack(">HHHB", transaction, 0, len(body) + 1, unit) + body


@dataclass
class Talk:
    """A connection between a master and a device, written frame by frame."""

    master: tuple[str, int] = ("192.0.2.10", 49152)
    device: tuple[str, int] = ("192.0.2.50", 502)
    next_seq: list[int] = field(default_factory=lambda: [1000, 5000])
    frames: list[tuple[int, bytes, int]] = field(default_factory=list)
    """(nanoseconds since EPOCH_S, recorded bytes, bytes on the wire)."""
    ip_id: int = 0

    def handshake(self, at_s: float, seqs: tuple[int, int] = (999, 4999)) -> Talk:
        self.next_seq = list(seqs)
        self.send(at_s, 0, flags=SYN)
        self.send(at_s, 1, flags=SYN | ACK)
        return self.send(at_s, 0)

    def ask(self, at_s: float, transaction: int, unit: int, pdu: str, **how: int) -> Talk:
        return self.send(at_s, 0, adu(transaction, unit, pdu), **how)

    def answer(self, at_s: float, transaction: int, unit: int, pdu: str, **how: int) -> Talk:
        return self.send(at_s, 1, adu(transaction, unit, pdu), **how)

    def lose(self, side: int, count: int) -> Talk:
        """Let a side (0 the master, 1 the device) send bytes that the recording lacks."""
        self.next_seq[side] += count
        return self

    def send(
        self,
        at_s: float,
        side: int,
        payload: bytes = b"",
        *,
        flags: int = ACK,
        back: int = 0,
        ahead: int = 0,
        recorded: int | None = None,
    ) -> Talk:
        """Write one frame; ``back`` repeats bytes already sent, ``ahead`` leaves bytes for later."""
        seq = (self.next_seq[side] - back + ahead) % 2**32
        if not back and not ahead:
            self.next_seq[side] += len(payload) + bool(flags & (SYN | FIN))
        ack = self.next_seq[1 - side] % 2**32 if flags & ACK else 0
        source, target = (self.master, self.device) if side == 0 else (self.device, self.master)
        tcp = dpkt.tcp.TCP(sport=source[1], dport=target[1], seq=seq, ack=ack, flags=flags, data=payload)
        frame = MACS + self._packet(source[0], target[0], tcp)
        kept = frame[:recorded] if recorded else frame
        self.frames.append((round(at_s * 10**9), kept, len(frame)))
        return self

    def _packet(self, source: str, target: str, tcp: dpkt.tcp.TCP) -> bytes:
        ends = {
            "src": ipaddress.ip_address(source).packed,
            "dst": ipaddress.ip_address(target).packed,
            "data": tcp,
        }
        if ":" in source:
            packet = dpkt.ip6.IP6(nxt=dpkt.ip.IP_PROTO_TCP, hlim=64, plen=len(tcp), **ends)
            return b"\x86\xdd" + bytes(packet)
        self.ip_id += 1
        return b"\x08\x00" + bytes(dpkt.ip.IP(id=self.ip_id, p=dpkt.ip.IP_PROTO_TCP, **ends))

    def copy_last(self, at_s: float) -> Talk:
        """Record the latest frame once more, as a mirror port would."""
        _, kept, original = self.frames[-1]
        self.frames.append((round(at_s * 10**9), kept, original))
        return self


def write(path: Path, *talks: Talk, until_s: float = 0) -> Path:
    """A nanosecond pcap of the talks, in time order; an ARP frame ends it at ``until_s``."""
    frames = sorted((frame for talk in talks for frame in talk.frames), key=lambda frame: frame[0])
    if until_s:
        frames.append((round(until_s * 10**9), MACS + b"\x08\x06" + bytes(46), 60))
    text = struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, ETHERNET)
    for at_ns, data, original in frames:
        text += struct.pack("<4I", EPOCH_S + at_ns // 10**9, at_ns % 10**9, len(data), original) + data
    path.write_bytes(text)
    return path
