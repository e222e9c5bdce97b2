"""Frames in, a capture file as a list of parts out (file header and records, or blocks), of either format and order.

Layouts: draft-ietf-opsawg-pcap, sections 4 and 5; draft-ietf-opsawg-pcapng, sections 3 and 4, appendix A.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from tests.capture.craft import (
    block,
    enhanced,
    interface,
    obsolete,
    option,
    padded,
    section,
    simple,
    statistics,
)
from tests.fuzz.frames import Frame

BILLION = 10**9
_PCAP_LAST_S = (1 << 32) - 1
_RESOLUTIONS = (
    (9, 1),
    (9, 1),
    (6, 1000),
    (None, 1000),
    (7, 100),
    (3, 10**6),
    (0, BILLION),
)  # if_tsresol, ns a tick
_NAMES = block(4, struct.pack("<HHI4s", 1, 8, 0xC0000232, b"oven"), "<")  # name resolution: the walk skips it
_CUSTOM = block(0xBAD, struct.pack("<I", 32473) + b"anything", "<")


@dataclass
class Parts:
    """A file in the pieces that mutators change, and the words in them that mean something."""

    format: str
    order: str
    pieces: list[bytes] = field(default_factory=list)

    @property
    def data(self) -> bytes:
        """The whole file."""
        return b"".join(self.pieces)


def pcap_parts(frames: Sequence[Frame], rng: Random) -> Parts:
    """A pcap file; its link type is that of the first frame."""
    order = rng.choice("<<>")
    is_fine = rng.random() < 0.6
    link = frames[0].link if frames else 1
    upper = rng.choice((0, 0, 0x14000000))  # section 4: bits that speak of frame check sequences
    head = (
        0xA1B23C4D if is_fine else 0xA1B2C3D4,
        2,
        4,
        0,
        0,
        rng.choice((262144, 65535, 0)),
        link & 0xFFFF | upper,
    )
    parts = Parts("pcap", order, [struct.pack(order + "IHHIIII", *head)])
    for frame in frames:
        seconds, ns = divmod(frame.time_ns, BILLION)
        ticks = ns if is_fine else ns // 1000
        words = (min(seconds, _PCAP_LAST_S), ticks, len(frame.data), frame.original & 0xFFFFFFFF)
        parts.pieces.append(struct.pack(order + "4I", *words) + frame.data)
    return parts


def pcapng_parts(frames: Sequence[Frame], rng: Random) -> Parts:
    """A pcapng file of one or two sections; an interface for each link type, blocks of all kinds."""
    parts = Parts("pcapng", rng.choice("<<>"))
    middle = rng.randrange(len(frames) + 1) if rng.random() < 0.2 else len(frames)
    for run in (frames[:middle], frames[middle:]):
        if run or not parts.pieces:
            _section(run, parts, rng)
            if rng.random() < 0.3:
                break_order = rng.choice("<>")  # sections differ in byte order
                parts.order = break_order
    return parts


def _section(frames: Sequence[Frame], parts: Parts, rng: Random) -> None:
    order = parts.order
    notes = option(3, b"oven", order) + option(0, b"", order) if rng.random() < 0.3 else b""
    parts.pieces.append(section(order, (1, rng.choice((0, 0, 2))), notes, rng.choice((-1, -1, 0, 64))))
    interfaces: dict[int, tuple[int, int, int]] = {}
    for frame in frames:
        if frame.link not in interfaces:
            resolution, tick_ns = rng.choice(_RESOLUTIONS)
            offset_s = rng.choice((0, 0, 0, 3600, -3600, 1_700_000_000))
            interfaces[frame.link] = len(interfaces), tick_ns, offset_s
            parts.pieces.append(_interface(frame.link, resolution, offset_s, order, rng))
        parts.pieces.append(_packet(frame, interfaces[frame.link], order, rng))
        if rng.random() < 0.04:
            parts.pieces.append(rng.choice((_NAMES, _CUSTOM, _counts(order, rng))))


def _interface(link: int, resolution: int | None, offset_s: int, order: str, rng: Random) -> bytes:
    options = option(2, b"eth0", order) if rng.random() < 0.3 else b""
    if resolution is not None:
        options += option(9, bytes([resolution]), order)
    if offset_s:
        options += option(14, struct.pack(order + "q", offset_s), order)
    return interface(link & 0xFFFF, rng.choice((0, 0, 65535, 66)), options + option(0, b"", order), order)


def _packet(frame: Frame, of: tuple[int, int, int], order: str, rng: Random) -> bytes:
    index, tick_ns, offset_s = of
    ticks = max((frame.time_ns - offset_s * BILLION) // tick_ns, 0)
    which = rng.random()
    if which < 0.03:
        return simple(padded(frame.data), frame.original & 0xFFFFFFFF, order)
    if which < 0.06:
        return obsolete(frame.data, ticks, index, rng.choice((0, 3, 0xFFFF)), order)
    drops = option(4, struct.pack(order + "Q", rng.randrange(5)), order) if which < 0.15 else b""
    options = drops + (option(0, b"", order) if which < 0.12 else b"")
    return enhanced(frame.data, ticks, index, frame.original & 0xFFFFFFFF, options, order)


def _counts(order: str, rng: Random) -> bytes:
    drops = option(5, struct.pack(order + "Q", rng.randrange(9)), order)
    return statistics(rng.randrange(2), drops + option(7, struct.pack(order + "Q", 1), order), order)
