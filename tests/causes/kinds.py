"""A scene's frames in, what each is and which of them decide out."""

from __future__ import annotations

from collections.abc import Iterable

from tests.builders.plant import BEGINS_NS, Plant, Sighting
from tests.causes.oven import HOSTS

BY_ADDRESS = {address: name for name, (_, address) in HOSTS.items() if name != "stranger"}
PROTOCOLS = {1: "icmp", 17: "dhcp"}
Key = tuple[int, str, int, bytes, bytes, int]


def kind(sighting: Sighting) -> str:
    """What a frame is: of TCP, who talks to whom, as in plc-zone3."""
    head, packet = sighting.head or b"", sighting.packet
    if head[12:] == b"\x08\x06":
        return "arp"
    if head[12:] != b"\x08\x00":
        return "bridges"
    if packet[9] != 6:
        return PROTOCOLS[packet[9]]
    ends = [BY_ADDRESS[".".join(map(str, packet[at : at + 4]))] for at in (12, 16)]
    return "-".join(ends if port(sighting, 22) == 502 else reversed(ends))


def port(sighting: Sighting, at: int) -> int:
    """A TCP port: 20 the source's, 22 the destination's (IPv4 without options)."""
    return int.from_bytes(sighting.packet[at : at + 2], "big")


def by_device(sighting: Sighting) -> bool:
    """Whether a device sent this segment."""
    return "-" in kind(sighting) and port(sighting, 20) == 502


def has_data(sighting: Sighting) -> bool:
    """Whether a segment carries data."""
    return "-" in kind(sighting) and len(sighting.packet) > 40


def seconds(sighting: Sighting) -> float:
    """When it went by."""
    return (sighting.time_ns - BEGINS_NS) / 1e9


def key(sighting: Sighting) -> Key:
    """What makes a frame itself, apart from sequence numbers, checksums and identifiers."""
    name, packet = kind(sighting), sighting.packet
    if "-" not in name:
        return sighting.time_ns, name, 0, packet, sighting.head or b"", 0
    window = int.from_bytes(packet[34:36], "big")
    return sighting.time_ns, name, packet[33], packet[46:], (sighting.head or b"")[6:12] + packet[8:9], window


def deciding(own: Plant, other: Plant) -> list[Sighting]:
    """The recorded frames of one scene that the other has not."""
    known = {key(sighting) for sighting in other.wire if not sighting.lost}
    return [sighting for sighting in own.wire if not sighting.lost and key(sighting) not in known]


def differing(one: Plant, two: Plant) -> set[str]:
    """The kinds of frames in which two scenes differ."""
    return {kind(sighting) for sighting in (*deciding(one, two), *deciding(two, one))}


def lose(plant: Plant, frames: Iterable[Sighting]) -> bool:
    """Lose these and, so that it shows, the nearest replies of other connections; False where none can be."""
    frames = list(frames)
    lost = {id(sighting) for sighting in frames}
    names = {kind(sighting) for sighting in frames}
    replies = [s for s in plant.wire if by_device(s) and has_data(s) and kind(s) not in names]
    for sighting in frames:
        sighting.lost = True
        near = min(replies, key=lambda r: abs(r.time_ns - sighting.time_ns), default=None)
        if near is not None:
            near.lost = True
    return bool(lost) and bool(replies)
