"""What a generated capture looks like: its options, and from them addresses, ports and poll lists."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

MODBUS_PORT = 502
UNIT = 1

# One poll a cycle, over and over: function, start address, quantity. Writers also get the writes.
READS = (
    (3, 0, 16),
    (3, 100, 2),
    (3, 200, 32),
    (3, 300, 10),
    (3, 400, 60),
    (3, 500, 4),
    (3, 600, 8),
    (3, 700, 100),
)
WRITES = {3: (6, 40, 1), 6: (16, 48, 2)}  # in place of the read at that position


@dataclass(frozen=True)
class Shape:
    """The options of a capture. The same shape (seed included) always gives the same bytes."""

    devices: int = 20
    masters: int = 2
    frames_per_transaction: int = 3
    """2: request and reply; 3: and the master's acknowledgement; 4: and first the device's."""
    ipv6: bool = False
    random_order: bool = False
    """Whether each cycle meets the connections in another order."""
    shuffle: float = 0.0
    """Fraction of the replies that come as two segments, the second one recorded first."""
    double: bool = False
    """Whether every frame is recorded twice, as a mirror of both directions does."""
    seed: int = 1
    template_frames: int = 120_000
    """After about so many frames the order repeats: too late for a processor to learn it by heart."""

    @property
    def connections(self) -> int:
        """Every master polls every device over a connection of its own."""
        return self.devices * self.masters

    @property
    def cycle_us(self) -> int:
        """A quarter of a second, or as long as that many transactions need."""
        return max(250_000, 50 * self.connections)

    @property
    def ip_bytes(self) -> int:
        """Length of the IP header."""
        return 40 if self.ipv6 else 20


@dataclass(frozen=True)
class Connections:
    """The connections' constant parts; a flow is twice the connection's number, plus 1 from the device."""

    master: Ints
    device: Ints
    source_port: Ints
    first_sequence: Ints
    """Initial sequence number, shape (flows,)."""


def connections_of(shape: Shape) -> Connections:
    """Number the connections; the first one's sequence numbers are about to wrap."""
    number = np.arange(shape.connections)
    rng = np.random.default_rng([shape.seed, 0])
    first_sequence = rng.integers(0, 1 << 32, 2 * shape.connections)
    first_sequence[:2] = (1 << 32) - 500
    device = number // shape.masters
    return Connections(number % shape.masters, device, 20_000 + number % 40_000, first_sequence)


def addresses(shape: Shape, number: Ints, is_device: bool) -> Bytes:
    """Addresses as bytes, shape (n, 4 or 16): RFC 2544's benchmarking range, RFC 3849's for IPv6."""
    low = (number + 10).astype(">u4").view(np.uint8).reshape(-1, 4)
    if shape.ipv6:
        result = np.zeros((len(number), 16), np.uint8)
        result[:, :4] = (0x20, 0x01, 0x0D, 0xB8)
        result[:, 7] = is_device
        result[:, 12:] = low
        return result
    result = low.copy()
    result[:, 0] = 198
    result[:, 1] = (19 if is_device else 18) + 0 * result[:, 1]
    return result


def poll_table(writes: bool) -> Ints:
    """The poll list of a master, shape (polls, 3)."""
    return np.array([WRITES.get(i, read) if writes else read for i, read in enumerate(READS)], np.int64)


def parse_bytes(text: str) -> int:
    """``1GB``, ``50MB`` (decimal) as bytes; raises ValueError."""
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)\s*([kMG]?)B?", text)
    if not match:
        raise ValueError(f"{text!r} is no size such as 50MB or 1GB")
    return round(float(match[1]) * {"": 1, "k": 1e3, "M": 1e6, "G": 1e9}[match[2]])
