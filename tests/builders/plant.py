"""Connections that send, lose, repeat and end things at given times in, the frames that went by out."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.builders.packets import ACK, FIN, PSH, RST, SYN, tcp_packet

MASTER, DEVICE = 0, 1
BEGINS_NS = 1_767_323_045 * 10**9  # 2026-01-02T03:04:05Z


@dataclass
class Sighting:
    """A packet that goes by the recorder, which may miss it, get it more than once, or keep a part."""

    time_ns: int
    packet: bytes
    lost: bool = False
    """Whether the recorder misses it."""
    copies: tuple[int, ...] = ()
    """Nanoseconds after it when the mirror port delivers it again."""
    back: int = 0
    """How many places earlier it is recorded."""
    cut: int | None = None
    """Bytes of the packet that the recorder keeps."""
    head: bytes | None = None
    """The Ethernet header of its own that it has, in place of the recording's link header."""


@dataclass
class Plant:
    """The wire: a clock and all that went by."""

    now_ns: int = BEGINS_NS
    wire: list[Sighting] = field(default_factory=list)
    connections: int = 0

    def wait(self, seconds: float) -> Plant:
        """Let time pass."""
        self.now_ns += round(seconds * 10**9)
        return self

    def connection(
        self,
        master: tuple[str, int] = ("192.0.2.10", 49152),
        device: tuple[str, int] = ("192.0.2.50", 502),
        first: tuple[int, int] | None = None,
    ) -> Connection:
        """A connection that is under way, with the next sequence numbers ``first``; each has others of its own."""
        first = first or (1000 + self.connections * 0x2000000, 5000 + self.connections * 0x3000000)
        self.connections += 1
        return Connection(self, (master, device), list(first), list(first))


@dataclass
class Connection:
    """Two TCP endpoints. ``received`` is how far each side has acknowledged the other.

    Each side sends with its own hop limit and window, and from its own hardware address where ``macs`` are given.
    """

    plant: Plant
    ends: tuple[tuple[str, int], tuple[str, int]]
    next: list[int]
    received: list[int]
    sent: list[list[tuple[int, bytes]]] = field(default_factory=lambda: [[], []])
    unsent: list[bytes] = field(default_factory=lambda: [b"", b""])
    ip_ids: list[int] = field(default_factory=lambda: [0, 0])
    macs: list[bytes] | None = None
    hops: list[int] = field(default_factory=lambda: [64, 64])
    windows: list[int] = field(default_factory=lambda: [8192, 8192])

    def __post_init__(self) -> None:
        self.received.reverse()

    def segment(
        self,
        side: int,
        payload: bytes = b"",
        flags: int = ACK,
        *,
        seq: int | None = None,
        ack: int | None = None,
        stale: bool = False,
        advance: bool = True,
        wait: float = 0,
        window: int | None = None,
    ) -> Sighting:
        """Send one segment; it acknowledges all that the other side sent, unless it is stale."""
        self.plant.wait(wait)
        if not stale:
            self.received[side] = self.next[1 - side]
        self.ip_ids[side] += 1
        own = self.next[side] if seq is None else seq
        ends = (self.ends[side], self.ends[1 - side])
        acked = (self.received[side] if ack is None else ack) if flags & ACK else 0
        packet = tcp_packet(
            *ends, own, acked, flags, payload,
            ip_id=self.ip_ids[side], hops=self.hops[side], window=self.windows[side] if window is None else window,
        )  # fmt: skip
        if seq is None and advance:
            if payload:
                self.sent[side].append((own, payload))
            self.next[side] = (own + len(payload) + bool(flags & (SYN | FIN))) % 2**32
        head = self.macs[1 - side] + self.macs[side] + b"\x08\x00" if self.macs else None
        self.plant.wire.append(Sighting(self.plant.now_ns, packet, head=head))
        return self.plant.wire[-1]

    def handshake(self, first: tuple[int, int] | None = None, wait: float = 0.001) -> Connection:
        """SYN, SYN and ACK, ACK."""
        if first:
            self.next, self.received = list(first), [first[1], first[0]]
            self.sent = [[], []]
        self.segment(MASTER, flags=SYN)
        self.segment(DEVICE, flags=SYN | ACK, wait=wait)
        self.segment(MASTER, wait=wait)
        return self

    def ask(self, message: bytes, wait: float = 0) -> Sighting:
        """The master sends a message."""
        return self.segment(MASTER, message, ACK | PSH, wait=wait)

    def answer(self, message: bytes, wait: float = 0.01) -> Sighting:
        """The device sends a message."""
        return self.segment(DEVICE, message, ACK | PSH, wait=wait)

    def again(
        self, side: int, last: int = 1, *, shift: int = 0, stale: bool = False, wait: float = 0
    ) -> Sighting | None:
        """TCP sends the ``last``-th segment once more, without its first ``shift`` bytes."""
        if len(self.sent[side]) < last:
            return None
        seq, payload = self.sent[side][-last]
        shift = min(shift, len(payload) - 1)
        return self.segment(
            side, payload[shift:], ACK | PSH, seq=(seq + shift) % 2**32, stale=stale, wait=wait
        )

    def close(self, side: int, wait: float = 0) -> Sighting:
        """FIN."""
        return self.segment(side, flags=FIN | ACK, wait=wait)

    def reset(self, side: int, wait: float = 0) -> Sighting:
        """RST."""
        return self.segment(side, flags=RST | ACK, wait=wait)

    def probe(self, side: int, payload: bytes = b"", wait: float = 0) -> Sighting:
        """A keep-alive probe (RFC 1122, 4.2.3.6)."""
        return self.segment(side, payload, ACK, seq=(self.next[side] - 1) % 2**32, wait=wait)
