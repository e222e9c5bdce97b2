"""How TCP cut messages into segments does not change which transactions there were."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

from tests.builders.exchanges import told
from tests.builders.packets import SYN, Link, tcp_packet
from tests.builders.readings import read
from tests.builders.recorder import Record
from tests.same_answer.frames import NAMES, path_of, records_of, written

NEAR_NS = 1_000_000


@dataclass(frozen=True)
class Segment:
    """A TCP segment over IPv4 and Ethernet."""

    time_ns: int
    source: tuple[str, int]
    target: tuple[str, int]
    seq: int
    ack: int
    flags: int
    payload: bytes
    ip_id: int
    options: bytes

    def record(self) -> Record:
        """The frame that carries it."""
        packet = tcp_packet(
            self.source, self.target, self.seq, self.ack, self.flags, self.payload,
            ip_id=self.ip_id, options=self.options,
        )  # fmt: skip
        frame = Link().wrap(packet)
        return self.time_ns, frame, len(frame)


def segment_of(record: Record) -> Segment | None:
    """The segment in a frame, None if there is none (RFC 791, 3.1; RFC 9293, 3.1)."""
    time_ns, frame, _ = record
    if frame[12:14] != b"\x08\x00" or frame[14] != 0x45 or frame[23] != 6:
        return None
    total, ip_id = struct.unpack_from(">HH", frame, 16)
    tcp = frame[34 : 14 + total]
    ports = struct.unpack_from(">HH", tcp)
    seq, ack, offset, flags = struct.unpack_from(">IIBB", tcp, 4)
    size = (offset >> 4) * 4
    hosts = [str(ip_address(frame[at : at + 4])) for at in (26, 30)]
    ends = (hosts[0], ports[0]), (hosts[1], ports[1])
    return Segment(time_ns, *ends, seq, ack, flags, tcp[size:], ip_id, tcp[20:size])


def cut_all(records: Sequence[Record], drawn: random.Random) -> list[Record | list[Segment]]:
    """Each frame with a segment as the pieces of it; in a connection without handshake each side's first stays whole.

    There only a message at the beginning of a segment tells where messages begin.
    """
    begun: set[tuple[tuple[str, int], tuple[str, int]]] = set()
    made: list[Record | list[Segment]] = []
    for record in records:
        segment = segment_of(record)
        if segment is None:
            made.append(record)
            continue
        flow = segment.source, segment.target
        made.append(cut(segment, drawn) if flow in begun else [segment])
        if segment.payload or segment.flags & SYN:
            begun.add(flow)
    return made


def cut(segment: Segment, drawn: random.Random) -> list[Segment]:
    """The segment as one to three; the last byte not alone, which sent again looks like a keep-alive probe."""
    size = len(segment.payload)
    places = sorted(drawn.sample(range(1, size - 1), min(drawn.randint(0, 2), size - 2))) if size > 2 else []
    if not places or segment.flags & 0x07:  # FIN, SYN, RST stay where they are
        return [segment]
    return [
        replace(
            segment,
            seq=segment.seq + start,
            payload=segment.payload[start:stop],
            ip_id=segment.ip_id + number * 7,
        )
        for number, (start, stop) in enumerate(zip([0, *places], [*places, size], strict=True))
    ]


def follows(segment: Segment, before: Segment) -> bool:
    """Whether a segment goes on right where the one before it ended."""
    return (
        bool(before.payload and segment.payload)
        and (before.source, before.target) == (segment.source, segment.target)
        and (before.seq + len(before.payload)) % 2**32 == segment.seq % 2**32
        and before.ack == segment.ack
        and segment.time_ns - before.time_ns < NEAR_NS
        and not (before.flags | segment.flags) & 0x07
    )


def merged(segments: Sequence[Segment]) -> list[Segment]:
    """Segments with data of one side that follow on one another within a moment, as one."""
    made: list[Segment] = []
    for segment in segments:
        before = made[-1] if made else None
        if before and follows(segment, before):
            made[-1] = replace(segment, seq=before.seq, payload=before.payload + segment.payload)
        else:
            made.append(segment)
    return made


def transactions(path: Path, *, timed: bool) -> list[dict[str, Any]]:
    """All transactions, without the frames; times only where they must be the same."""
    leave = {"frame", "reply_frame", "marks"} | (set() if timed else {"seconds", "reply_s", "ack_s"})
    return [
        {key: value for key, value in one.items() if key not in leave} for one in told(read(path).exchange)
    ]


@pytest.mark.parametrize("name", NAMES)
def test_cut_anew(tmp_path: Path, name: str) -> None:
    """Each segment sent as up to three, at once: the same transactions to the nanosecond."""
    drawn = random.Random(name)
    records: list[Record] = []
    for part in cut_all(records_of(path_of(name)), drawn):
        records += [one.record() for one in part] if isinstance(part, list) else [part]
    assert len(records) > len(records_of(path_of(name)))
    whole = transactions(path_of(name), timed=True)
    assert transactions(written(tmp_path, records), timed=True) == whole


@pytest.mark.parametrize("name", ["link-down.pcap", "healthy-shift.pcap"])
def test_cut_and_merged_anew(tmp_path: Path, name: str) -> None:
    """Cut into pieces that come some microseconds apart, and those merged and cut otherwise: the same transactions."""
    drawn = random.Random(name)
    pieces: list[Segment] = []
    for part in cut_all(records_of(path_of(name)), drawn):
        for number, one in enumerate(part if isinstance(part, list) else []):
            pieces.append(replace(one, time_ns=one.time_ns + number * 2_000))
    pieces.sort(key=lambda one: one.time_ns)
    whole = merged(pieces)
    assert len(whole) < len(pieces)
    parts = cut_all([one.record() for one in whole], drawn)
    again = [piece.record() for part in parts if isinstance(part, list) for piece in part]
    first = transactions(written(tmp_path, [one.record() for one in pieces]), timed=False)
    assert transactions(written(tmp_path, again), timed=False) == first
    assert first == transactions(path_of(name), timed=False)
