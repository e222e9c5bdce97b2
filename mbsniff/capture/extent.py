"""A plain capture in, its first and last few frames out, without reading what lies between."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.fingerprints import NONE, packets
from mbsniff.capture.frames import TIME_NS
from mbsniff.capture.opening import open_capture, reader_of
from mbsniff.capture.pcap import HEADER_BYTES as PCAP_HEADER_BYTES
from mbsniff.capture.pcap import MAGICS as PCAP_MAGICS
from mbsniff.capture.pcapng_walk import ENHANCED_PACKET, MIN_BLOCK_BYTES, OBSOLETE_PACKET, SIMPLE_PACKET
from mbsniff.capture.reader import FileReader
from mbsniff.capture.spares import Spares
from mbsniff.capture.state import MAX_CAPTURED_BYTES
from mbsniff.capture.window import Window
from mbsniff.errors import CaptureError

_LOOK_BYTES = 1 << 15
_FRAMES = 64
_BLOCK_BYTES = 1 << 20
_BATCH_ROWS = 1 << 13
_LEAST_CHAIN = 3  # records one behind the other up to the file's very end: no chance hit
Flows = dict[int, int]
"""TCP sequence numbers by side of a connection."""


class _Bytes(io.BytesIO):
    """Bytes that a window reads."""

    trouble: str | None = None


def first_flows(reader: FileReader) -> list[tuple[int, int]]:
    """Side of a TCP connection and sequence number of each of the file's first frames; none of a pipe."""
    if not reader.source.parkable:
        return []
    try:
        fresh = open_capture(reader.source.path, _LOOK_BYTES, _LOOK_BYTES, Spares())
    except CaptureError:
        return []
    return _flows(*_frames(fresh))


def last_frames(reader: FileReader) -> tuple[int, Flows] | None:
    """Time of the last frame, and the last sequence numbers of the last frames; None where that takes reading it all.

    It does for a packed file, a pipe, and a file that is cut off or damaged at its end.
    """
    if reader.compressed or not reader.source.parkable:
        return None
    try:
        content = _ends(Path(reader.source.path))
        window = Window(_Bytes(content), Spares())
        window.fill(len(content), len(content))
        data, rows = _frames(reader_of(reader.source, window, False, _LOOK_BYTES))
    except (OSError, ValueError):
        return None
    if not len(rows):
        return None
    return int(rows[:, TIME_NS].max()) + reader.shift_ns, dict(_flows(data, rows))


def read_through(reader: FileReader, compiled: bool) -> tuple[int, Flows] | None:
    """The same, by reading all of the file; None for a pipe."""
    latest_ns, flows = -1, {}
    for data, rows in every_frame(reader, compiled):
        latest_ns = max(latest_ns, int(rows[:, TIME_NS].max()))
        flows = dict(_flows(data, rows[-_FRAMES:]))
    return (latest_ns, flows) if latest_ns >= 0 else None


def every_frame(reader: FileReader, compiled: bool) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.int64]]]:
    """All frames of a file that is opened anew: bytes and rows, many at a time; none of a pipe."""
    if not reader.source.parkable:
        return
    try:
        fresh = open_capture(reader.source.path, _BLOCK_BYTES, _BLOCK_BYTES, Spares())
    except CaptureError:
        return
    fresh.peek()
    if fresh.pending:
        fresh.shift(reader.shift_ns)
        fresh.extend(_BATCH_ROWS, compiled)
    while fresh.pending or fresh.fill(compiled):
        batch = fresh.take(fresh.end_row, 0)
        yield batch.data, batch.rows
    fresh.close()


def _frames(reader: FileReader) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    reader.peek()
    if reader.pending:
        reader.extend(_FRAMES, compiled=False)
    found = reader.window.data, reader.rows[: reader.end_row]
    reader.close()
    return found


def _flows(data: NDArray[np.uint8], rows: NDArray[np.int64]) -> list[tuple[int, int]]:
    found = packets(data, rows)
    both = zip(found.flow.tolist(), found.sequence.tolist(), strict=True)
    return [(flow, sequence) for flow, sequence in both if flow != NONE]


def _ends(path: Path) -> bytes:
    """A capture of what describes the file's frames, and the last few of these; ValueError where that fails."""
    with path.open("rb") as file:
        head = file.read(_LOOK_BYTES)
        size = file.seek(0, io.SEEK_END)
        file.seek(max(size - _LOOK_BYTES, 0))
        tail = file.read(_LOOK_BYTES)
    if head[:4] in PCAP_MAGICS:
        tail = tail[PCAP_HEADER_BYTES:] if size <= _LOOK_BYTES else tail
        return head[:PCAP_HEADER_BYTES] + _last_records(tail, *PCAP_MAGICS[head[:4]])
    order = "<" if head[8:12] == b"\x4d\x3c\x2b\x1a" else ">"
    first = _first_packet(head, order)
    tail = tail[first:] if size <= _LOOK_BYTES else tail
    return head[:first] + _last_blocks(tail, order)


def _last_records(tail: bytes, order: str, tick_ns: int) -> bytes:
    """The last pcap records: the longest chain of plausible ones that ends where the file does."""
    words = np.frombuffer(tail, np.uint8)
    if len(words) < 16:
        raise ValueError("no record")
    weights = 1 << np.array([0, 8, 16, 24] if order == "<" else [24, 16, 8, 0])
    number = np.lib.stride_tricks.sliding_window_view(words, 4).astype(np.int64) @ weights
    ticks, captured, original = number[4:-8], number[8:-4], number[12:]
    plausible = (ticks < 10**9 // tick_ns) & (captured > 0) & (captured <= original)
    plausible &= original <= MAX_CAPTURED_BYTES
    failed: set[int] = set()  # so that no record is looked at twice
    for start in np.flatnonzero(plausible).tolist():
        chain = [start]
        while chain[-1] not in failed and chain[-1] < len(plausible) and plausible[chain[-1]]:
            chain.append(chain[-1] + 16 + int(captured[chain[-1]]))
        if chain[-1] == len(tail) and len(chain) > _LEAST_CHAIN:
            return tail[chain[-_FRAMES:][0] :]
        failed.update(chain)
    raise ValueError("no chain of records")


def _first_packet(head: bytes, order: str) -> int:
    """Where in a pcapng file the first block with a frame begins."""
    at = 0
    while at + MIN_BLOCK_BYTES <= len(head):
        kind, length = struct.unpack_from(order + "II", head, at)
        if kind in (OBSOLETE_PACKET, SIMPLE_PACKET, ENHANCED_PACKET):
            return at
        if length < MIN_BLOCK_BYTES:
            break
        at += length
    raise ValueError("no block with a frame")


def _last_blocks(tail: bytes, order: str) -> bytes:
    """The last pcapng blocks: each one's length stands at its end as well."""
    at, count = len(tail), 0
    while at >= MIN_BLOCK_BYTES and count < _FRAMES:
        length = struct.unpack_from(order + "I", tail, at - 4)[0]
        if length < MIN_BLOCK_BYTES or length > at:
            break
        if struct.unpack_from(order + "I", tail, at - length + 4)[0] != length:
            break
        at, count = at - length, count + 1
    return tail[at:]
