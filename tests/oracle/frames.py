"""Paths of pcap and pcapng files (also gzip-compressed) in, frames with integer nanosecond times out."""

from __future__ import annotations

import gzip
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

BILLION = 10**9
# draft-ietf-opsawg-pcap: the first four bytes on disk → byte order, fractions of a second.
PCAP_MAGICS = {
    b"\xd4\xc3\xb2\xa1": ("<", 10**6),
    b"\x4d\x3c\xb2\xa1": ("<", 10**9),
    b"\xa1\xb2\xc3\xd4": (">", 10**6),
    b"\xa1\xb2\x3c\x4d": (">", 10**9),
}
# draft-ietf-opsawg-pcapng, block types and interface options.
SECTION, INTERFACE, OLD_PACKET, SIMPLE_PACKET, ENHANCED_PACKET = 0x0A0D0D0A, 1, 2, 3, 6
IF_TSRESOL, IF_TSOFFSET = 9, 14


@dataclass(frozen=True)
class Frame:
    """One recorded frame: link type, the bytes recorded, and how many it had on the wire."""

    time_ns: int
    link: int
    data: bytes
    original: int


@dataclass(frozen=True)
class Interface:
    """What a pcapng interface says about its frames."""

    link: int
    snap_length: int
    units_per_s: int
    offset_s: int

    def time_ns(self, ticks: int) -> int:
        return ticks * BILLION // self.units_per_s + self.offset_s * BILLION


def read_frames(paths: list[str | Path]) -> list[Frame]:
    """All frames, file after file; the files in the order of their first frames."""
    files = [list(_frames_of(Path(path))) for path in paths]
    files = sorted((file for file in files if file), key=lambda file: file[0].time_ns)
    return [frame for file in files for frame in file]


def _frames_of(path: Path) -> Iterator[Frame]:
    data = path.read_bytes()
    if data[:2] == b"\x1f\x8b":
        data = gzip.decompress(data)
    if data[:4] in PCAP_MAGICS:
        return _pcap_frames(data)
    if data[:4] == SECTION.to_bytes(4, "big"):
        return _pcapng_frames(data)
    raise ValueError(f"{path} is neither pcap nor pcapng")


def _pcap_frames(data: bytes) -> Iterator[Frame]:
    order, units_per_s = PCAP_MAGICS[data[:4]]
    link = struct.unpack_from(order + "I", data, 20)[0] & 0xFFFF
    at = 24
    while at + 16 <= len(data):
        seconds, fraction, captured, original = struct.unpack_from(order + "4I", data, at)
        at += 16
        if at + captured > len(data):
            return  # the file ends within its last record
        time_ns = seconds * BILLION + fraction * (BILLION // units_per_s)
        yield Frame(time_ns, link, data[at : at + captured], max(original, captured))
        at += captured


def _pcapng_frames(data: bytes) -> Iterator[Frame]:
    order, at, last_ns = "<", 0, 0
    interfaces: list[Interface] = []
    while at + 12 <= len(data):
        if data[at : at + 4] == SECTION.to_bytes(4, "big"):
            order = "<" if data[at + 8 : at + 12] == b"\x4d\x3c\x2b\x1a" else ">"
            interfaces = []
        kind, length = struct.unpack_from(order + "2I", data, at)
        if length < 12 or at + length > len(data):
            return  # the file ends within its last block
        body = data[at + 8 : at + length - 4]
        at += length
        if kind == INTERFACE:
            interfaces.append(_interface(order, body))
        frame = _packet_block(order, kind, body, interfaces, last_ns)
        if frame:
            last_ns = frame.time_ns
            yield frame


def _interface(order: str, body: bytes) -> Interface:
    link, snap_length = struct.unpack_from(order + "HxxI", body)
    options, at = {}, 8
    while at + 4 <= len(body):
        code, length = struct.unpack_from(order + "HH", body, at)
        if code == 0:
            break
        options[code] = body[at + 4 : at + 4 + length]
        at += 4 + (length + 3) // 4 * 4
    resolution = options.get(IF_TSRESOL, b"\x06")[0]
    units_per_s = 2 ** (resolution & 0x7F) if resolution & 0x80 else 10**resolution
    offset_s = struct.unpack(order + "q", options.get(IF_TSOFFSET, bytes(8)))[0]
    return Interface(link, snap_length, units_per_s, offset_s)


def _packet_block(
    order: str, kind: int, body: bytes, interfaces: list[Interface], last_ns: int
) -> Frame | None:
    if kind == ENHANCED_PACKET:
        number, high, low, captured, original = struct.unpack_from(order + "5I", body)
        payload = body[20 : 20 + captured]
    elif kind == OLD_PACKET:
        number, _drops, high, low, captured, original = struct.unpack_from(order + "2H4I", body)
        payload = body[20 : 20 + captured]
    elif kind == SIMPLE_PACKET:
        # It bears no time of its own: that of the frame before stands in.
        original = struct.unpack_from(order + "I", body)[0]
        captured = min(original, interfaces[0].snap_length or original)
        return Frame(last_ns, interfaces[0].link, body[4 : 4 + captured], original)
    else:
        return None
    interface = interfaces[number]
    return Frame(interface.time_ns(high << 32 | low), interface.link, payload, max(original, captured))
