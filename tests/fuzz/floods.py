"""How many, and which addresses in, a capture of as many connection attempts or requests out, made with numpy.

All frames are TCP over IPv4 over Ethernet: headers of 54 bytes, to port 502 of a device, 10 microseconds apart.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.builders.packets import ACK, MACS, PSH, SYN
from tests.builders.plant import BEGINS_NS

Numbers = NDArray[np.int64]
DEVICE = 0xC0000232  # 192.0.2.50
MASTER = 0xC000020A  # 192.0.2.10
STEP_NS = 10_000
_IP, _TCP, _PAYLOAD = 16 + 14, 16 + 34, 16 + 54  # where they lie in a record
_BILLION = 10**9


@dataclass(frozen=True)
class Keys:
    """Who connects to whom: arrays of equal length, or single numbers."""

    client: Numbers | int = MASTER
    client_port: Numbers | int = 49152
    server: Numbers | int = DEVICE
    server_port: Numbers | int = 502


def write_flood(
    path: Path,
    count: int,
    keys: Keys,
    *,
    flags: int = SYN,
    sequence: Numbers | int = 1000,
    payload: bytes = b"",
    identifiers: Numbers | None = None,
    times_ns: Numbers | None = None,
) -> Path:
    """Write the capture: ``payload`` is in every frame, its first two bytes taken from ``identifiers``."""
    size = 54 + len(payload)
    records = np.zeros((count, 16 + size), np.uint8)
    times_ns = BEGINS_NS + np.arange(count) * STEP_NS if times_ns is None else times_ns
    _put(records, 0, 4, times_ns // _BILLION, "little")
    _put(records, 4, 4, times_ns % _BILLION, "little")
    _put(records, 8, 4, size, "little")
    _put(records, 12, 4, size, "little")
    records[:, 16:_IP] = np.frombuffer(MACS + b"\x08\x00", np.uint8)
    records[:, _IP] = 0x45
    _put(records, _IP + 2, 2, 40 + len(payload))
    _put(records, _IP + 4, 2, np.arange(count))
    records[:, _IP + 8 : _IP + 10] = 64, 6
    _put(records, _IP + 12, 4, keys.client)
    _put(records, _IP + 16, 4, keys.server)
    _put(records, _TCP, 2, keys.client_port)
    _put(records, _TCP + 2, 2, keys.server_port)
    _put(records, _TCP + 4, 4, sequence)
    _put(records, _TCP + 8, 4, 5000 if flags & ACK else 0)
    records[:, _TCP + 12 : _TCP + 14] = 0x50, flags
    records[:, _PAYLOAD:] = np.frombuffer(payload, np.uint8)
    if identifiers is not None:
        _put(records, _PAYLOAD, 2, identifiers)
    path.write_bytes(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 1) + records.tobytes())
    return path


def write_requests(path: Path, count: int, *, fixed: bool = False) -> Path:
    """As many requests on one connection, none of which is answered, each with its own identifier."""
    read = bytes.fromhex("0000 0000 0006 01 03 0000 0001")
    numbers = np.arange(count)
    sequence = (1000 + 12 * numbers) & 0xFFFFFFFF
    identifiers = None if fixed else numbers
    return write_flood(
        path, count, Keys(), flags=ACK | PSH, sequence=sequence, payload=read, identifiers=identifiers
    )


def _put(records: NDArray[np.uint8], at: int, size: int, value: Numbers | int, order: str = "big") -> None:
    for n in range(size):
        shift = 8 * (size - 1 - n if order == "big" else n)
        records[:, at + n] = np.asarray(value) >> shift & 0xFF


def random_keys(count: int, seed: int = 1) -> Keys:
    """Clients as they come: any address, any port."""
    drawn = np.random.default_rng(seed)
    return Keys(drawn.integers(1 << 24, 0xDF << 24, count), drawn.integers(1024, 65536, count))


def even_keys(count: int) -> Keys:
    """Clients that an unseeded hash, of whatever bits that lie together, puts in one place: a counter's bits spread."""
    number = np.arange(count)
    high = number >> 10 & 0x3FF
    return Keys((10 << 24) | high << 14, (number & 0x3FF) << 6)


def guessed_keys(count: int, multipliers: Numbers, first: int = 0) -> Keys:
    """Clients whose seeded hashes lie close together if the hash's multipliers are the ones guessed.

    The hash sums 16-bit limbs of the key times multipliers, modulo 2^31 - 1: half of the limbs (address) is drawn and
    sorted, and for draws of the other half (port, device's address) those are looked up that make the sum small.
    """
    modulus, drawn = (1 << 31) - 1, np.random.default_rng(first + 1)
    m = multipliers.astype(object)  # exact, whatever their size
    size = 1 << 20
    address = drawn.integers(1 << 24, 0xDF << 24, size)
    server = drawn.integers(0, 1 << 16, size) | 10 << 24
    port = drawn.integers(1024, 65536, size)
    ours = ((address & 0xFFFF) * m[3] + (address >> 16) * m[4]) % modulus
    theirs = (
        502 * m[0] + port * m[1] + 4 * m[2] + (server & 0xFFFF) * m[6] + (server >> 16) * m[7]
    ) % modulus
    ours, theirs = ours.astype(np.int64), theirs.astype(np.int64)
    order = np.argsort(ours)
    wanted = (-theirs) % modulus
    near = np.searchsorted(ours[order], wanted) % size
    total = (ours[order][near] + theirs) % modulus
    best = np.argsort(total)[:count]
    return Keys(address[order][near][best], port[best], server[best])
