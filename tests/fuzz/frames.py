"""A frame's bytes in, the places of its layers out; and the changes that keep lengths right on request."""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random

from tests.builders.packets import COOKED, COOKED_2, ETHERNET, LOOP, NULL

INTERESTING = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 21, 24, 28, 31, 32, 40, 60, 64, 127, 128, 250, 253, 254, 255,
               256, 260, 261, 502, 512, 1000, 1500, 4095, 4096, 0x7FFF, 0x8000, 0xFF00, 0xFFFE, 0xFFFF, 0x10000,
               0xFFFFFF, 4 << 20, (4 << 20) + 1, 5 << 20, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFC, 0xFFFFFFFE,
               0xFFFFFFFF, 1 << 32, (1 << 62), (1 << 63) - 1, 1 << 63, (1 << 64) - 1)  # fmt: skip


@dataclass
class Frame:
    """One frame: nanoseconds since the epoch, what was recorded, its length on the wire, its link type."""

    time_ns: int
    data: bytes
    original: int
    link: int = ETHERNET

    def copy(self, **changes: object) -> Frame:
        """Another such frame."""
        if not changes:  # most often, and quicker
            return Frame(self.time_ns, self.data, self.original, self.link)
        return replace(self, **changes)  # type: ignore[arg-type]

    def rewrite(self, data: bytes) -> None:
        """Other bytes, all of which are recorded."""
        self.data, self.original = data, len(data)


@dataclass(frozen=True)
class Places:
    """Where the layers of a frame begin; each is None where the frame has none or is too short for it."""

    ethertype: int | None = None
    ip: int | None = None
    version: int = 0
    tcp: int | None = None
    payload: int | None = None
    end: int = 0
    """Where the payload ends by IP's own count."""


def places(frame: Frame) -> Places:
    """Find the layers of a frame that may be damaged: by the same standards as the tool, but on its own."""
    data = frame.data
    ethertype, at = _link(frame)
    if at is None or len(data) < at + 20:
        return Places(ethertype)
    version = data[at] >> 4
    if version == 4:
        tcp = at + (data[at] & 15) * 4
        end = at + int.from_bytes(data[at + 2 : at + 4], "big")
        is_tcp = data[at + 9] == 6
    else:
        tcp, end = at + 40, at + 40 + int.from_bytes(data[at + 4 : at + 6], "big")
        is_tcp = data[at + 6] == 6
    if not is_tcp or len(data) < tcp + 20:
        return Places(ethertype, at, version)
    payload = min(tcp + (data[tcp + 12] >> 4) * 4, len(data))
    return Places(ethertype, at, version, tcp, payload, max(min(end, len(data)), payload))


def _link(frame: Frame) -> tuple[int | None, int | None]:
    data = frame.data
    if frame.link == ETHERNET:
        at = 12
        while data[at : at + 2] in (b"\x81\x00", b"\x88\xa8"):
            at += 4
        return at, at + 2
    fixed: dict[int, tuple[int | None, int]] = {
        COOKED: (14, 16),
        COOKED_2: (0, 20),
        NULL: (0, 4),
        LOOP: (0, 4),
    }
    return fixed.get(frame.link, (None, 0))


def poke(data: bytes, at: int, size: int, rng: Random, order: str = "big") -> bytes:
    """The bytes with the integer of ``size`` bytes at ``at`` replaced by a near, an interesting or a random one."""
    if not 0 <= at <= len(data) - size:
        return data
    top = 1 << 8 * size
    value = int.from_bytes(data[at : at + size], order)  # type: ignore[arg-type]
    how = rng.randrange(6)
    if how == 0:
        value += rng.choice((-4, -2, -1, 1, 2, 4))
    elif how == 1:
        value ^= 1 << rng.randrange(8 * size)
    elif how == 2:
        value = rng.randrange(top)
    elif how == 3:
        value = top - 1 - rng.choice(INTERESTING)
    else:
        value = rng.choice(INTERESTING)
    return data[:at] + (value % top).to_bytes(size, order) + data[at + size :]  # type: ignore[arg-type]


def put(data: bytes, at: int, size: int, value: int, order: str = "big") -> bytes:
    """The bytes with the integer of ``size`` bytes at ``at`` set."""
    return data[:at] + (value % (1 << 8 * size)).to_bytes(size, order) + data[at + size :]  # type: ignore[arg-type]


def resize(frame: Frame, at: int, removed: int, inserted: bytes) -> None:
    """Replace bytes behind the IP header's fixed part, and have IP count them."""
    found = places(frame)
    data = frame.data[:at] + inserted + frame.data[at + removed :]
    if found.ip is not None:
        field = found.ip + (2 if found.version == 4 else 4)
        length = int.from_bytes(data[field : field + 2], "big") + len(inserted) - removed
        data = put(data, field, 2, length)
    frame.rewrite(data)


def set_payload(frame: Frame, payload: bytes) -> None:
    """Replace what TCP carries, lengths kept right."""
    found = places(frame)
    if found.payload is not None:
        resize(frame, found.payload, found.end - found.payload, payload)
