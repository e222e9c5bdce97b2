"""Captures made by hand, byte by byte, after draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from mbsniff.capture import FileCounters, open_recording

MICROSECONDS = 0xA1B2C3D4
NANOSECONDS = 0xA1B23C4D
START_S = 1_700_000_000
ETHERNET = 1


class Frame(NamedTuple):
    """One frame as it was read."""

    file: int
    number: int
    data: bytes
    original: int
    time_ns: int
    link: int


class Reading(NamedTuple):
    """All that a recording gave."""

    files: list[str]
    frames: list[Frame]
    counters: list[FileCounters]


def read(paths: Sequence[Path | str], compiled: bool = False, **sizes: Any) -> Reading:
    """Everything in the captures, in the order given out."""
    frames = []
    with open_recording([str(path) for path in paths], **sizes) as recording:
        for batch in recording.batches(compiled):
            alone = [
                (batch.file, number)
                for number in range(batch.first_frame, batch.first_frame + len(batch.rows))
            ]
            places = alone if batch.places is None else batch.places.tolist()
            for (file, number), row in zip(places, batch.rows.tolist(), strict=True):
                position, captured, original, time_ns, link = row
                data = batch.data[position : position + captured].tobytes()
                assert len(data) == captured
                frames.append(Frame(file, number, data, original, time_ns, link))
        return Reading(recording.files, frames, recording.counters)


def read_bytes(folder: Path, content: bytes, compiled: bool = False, **sizes: Any) -> Reading:
    """The same for one file of this content."""
    path = folder / "made.cap"
    path.write_bytes(content)
    return read([path], compiled, **sizes)


def notes(reading: Reading) -> list[str]:
    """The warnings about the first file."""
    return reading.counters[0].notes


def pcap_header(
    order: str = "<", magic: int = MICROSECONDS, link: int = ETHERNET, version: tuple[int, int] = (2, 4)
) -> bytes:
    """A pcap file header (pcap draft, section 4)."""
    return struct.pack(order + "IHHIIII", magic, *version, 0, 0, 262144, link)


def record(
    data: bytes, seconds: int = START_S, ticks: int = 0, original: int | None = None, order: str = "<"
) -> bytes:
    """A pcap record (pcap draft, section 5)."""
    size = len(data)
    return struct.pack(order + "IIII", seconds, ticks, size, size if original is None else original) + data


def pcap(times_us: Sequence[int], text: bytes = b"frame") -> bytes:
    """A pcap file with a frame ``text`` + its number per time (microseconds after START_S)."""
    records = (
        record(text + b" %d" % number, START_S + time_us // 10**6, time_us % 10**6)
        for number, time_us in enumerate(times_us, 1)
    )
    return pcap_header() + b"".join(records)


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    """A pcapng block (pcapng draft, section 3.1)."""
    size = 12 + len(padded(body))
    return struct.pack(order + "II", kind, size) + padded(body) + struct.pack(order + "I", size)


def padded(data: bytes) -> bytes:
    """The data, with zeros up to a multiple of 4 bytes."""
    return data + bytes(-len(data) % 4)


def option(code: int, value: bytes, order: str = "<") -> bytes:
    """An option (pcapng draft, section 3.5)."""
    return struct.pack(order + "HH", code, len(value)) + padded(value)


def section(
    order: str = "<", version: tuple[int, int] = (1, 0), options: bytes = b"", length: int = -1
) -> bytes:
    """A section header block (pcapng draft, section 4.1)."""
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, *version, length) + options, order)


def interface(link: int = ETHERNET, snaplen: int = 0, options: bytes = b"", order: str = "<") -> bytes:
    """An interface description block (pcapng draft, section 4.2)."""
    return block(1, struct.pack(order + "HHI", link, 0, snaplen) + options, order)


def timed_interface(resolution: int, offset_s: int = 0, link: int = ETHERNET, order: str = "<") -> bytes:
    """The same, with if_tsresol and if_tsoffset."""
    options = option(9, bytes([resolution]), order) + option(14, struct.pack(order + "q", offset_s), order)
    return interface(link, 0, options + option(0, b"", order), order)


def enhanced(
    data: bytes,
    ticks: int,
    index: int = 0,
    original: int | None = None,
    options: bytes = b"",
    order: str = "<",
) -> bytes:
    """An enhanced packet block (pcapng draft, section 4.3)."""
    sizes = len(data), len(data) if original is None else original
    head = struct.pack(order + "IIIII", index, ticks >> 32, ticks & 0xFFFFFFFF, *sizes)
    return block(6, head + padded(data) + options, order)


def simple(data: bytes, original: int | None = None, order: str = "<") -> bytes:
    """A simple packet block (pcapng draft, section 4.4)."""
    return block(3, struct.pack(order + "I", len(data) if original is None else original) + data, order)


def obsolete(data: bytes, ticks: int, index: int = 0, drops: int = 0xFFFF, order: str = "<") -> bytes:
    """A packet block (pcapng draft, appendix A)."""
    sizes = len(data), len(data)
    return block(
        2, struct.pack(order + "HHIIII", index, drops, ticks >> 32, ticks & 0xFFFFFFFF, *sizes) + data, order
    )


def statistics(index: int, options: bytes, order: str = "<") -> bytes:
    """An interface statistics block (pcapng draft, section 4.6)."""
    return block(5, struct.pack(order + "III", index, 0, 0) + options, order)
