"""What went by on the wire in, a pcap file out, with what recorders do to it: losses, copies, order, cuts."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

from tests.builders.packets import Link
from tests.builders.plant import Plant, Sighting

BILLION = 10**9
PLAIN = Link()
Record = tuple[int, bytes, int]
"""Time, recorded bytes, bytes on the wire."""


def recorded(wire: Sequence[Sighting], link: Link = PLAIN, snap: int | None = None) -> list[Record]:
    """The records of a capture, in the order recorded; times ascend."""
    taken: list[tuple[int, Sighting]] = []
    for sighting in wire:
        if not sighting.lost:
            taken.append((sighting.time_ns, sighting))
            taken += [(sighting.time_ns + after, sighting) for after in sighting.copies]
    taken.sort(key=lambda item: item[0])
    times = [time_ns for time_ns, _ in taken]
    order = [sighting for _, sighting in taken]
    for place, sighting in enumerate(list(order)):
        if sighting.back and order[place] is sighting:
            order.insert(max(place - sighting.back, 0), order.pop(place))
    return [_record(time_ns, sighting, link, snap) for time_ns, sighting in zip(times, order, strict=True)]


def _record(time_ns: int, sighting: Sighting, link: Link, snap: int | None) -> Record:
    frame = link.wrap(sighting.packet) if sighting.head is None else sighting.head + sighting.packet
    frame = frame if sighting.head is None else frame.ljust(60, b"\0")  # IEEE 802.3, 3.2.8
    kept = len(frame) if snap is None else min(snap, len(frame))
    if sighting.cut is not None:
        headers = len(frame) - len(sighting.packet) if len(frame) > 60 else 14
        kept = min(kept, headers + sighting.cut)
    return time_ns, frame[:kept], len(frame)


def pcap(records: Sequence[Record], link: Link = PLAIN) -> bytes:
    """A nanosecond pcap (draft-ietf-opsawg-pcap)."""
    parts = [struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, link.number)]
    for time_ns, data, original in records:
        parts.append(struct.pack("<4I", time_ns // BILLION, time_ns % BILLION, len(data), original) + data)
    return b"".join(parts)


def write(path: Path, plant: Plant, link: Link = PLAIN, snap: int | None = None) -> Path:
    """Record what went by into a file; the frames that no port of Modbus sees are part of it."""
    path.write_bytes(pcap(recorded(plant.wire, link, snap), link))
    return path


def write_as_it_came(path: Path, plant: Plant) -> Path:
    """The same, the frames in the order in which they went by, whatever their times: the clock may step."""
    path.write_bytes(pcap([record for sighting in plant.wire for record in recorded([sighting])]))
    return path
