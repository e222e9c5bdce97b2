"""A scene in, the same as another recorder would have it out: tagged, behind a router, cut short, begun late."""

from __future__ import annotations

from tests.builders.packets import checksum
from tests.causes.kinds import by_device, kind, seconds
from tests.causes.oven import BACK, FALL, HOSTS, Oven

TAG = bytes.fromhex("8100000a")  # IEEE 802.1Q, 9.6: VLAN 10
ROUTER = HOSTS["switch"][0]
SNAP_BYTES = 96


def tagged(oven: Oven) -> Oven:
    """Every frame bears a VLAN tag."""
    for sighting in oven.plant.wire:
        if sighting.head:
            sighting.head = sighting.head[:12] + TAG + sighting.head[12:]
    return oven


def routed(oven: Oven) -> Oven:
    """The devices' segments come from a router, one hop further; what they say beside IP stays behind it."""
    for sighting in oven.plant.wire:
        sighting.lost |= kind(sighting) in ("arp", "dhcp")
        if by_device(sighting) and sighting.head:
            by_box = sighting.head[6:12] == HOSTS["box"][0]  # it stands on this side
            sighting.head = sighting.head if by_box else sighting.head[:6] + ROUTER + sighting.head[12:]
            sighting.packet = sighting.packet if by_box else _one_hop_on(sighting.packet)
    return oven


def _one_hop_on(packet: bytes) -> bytes:
    head = bytearray(packet[:20])
    head[8] -= 1
    head[10:12] = bytes(2)
    head[10:12] = checksum(bytes(head)).to_bytes(2, "big")
    return bytes(head) + packet[20:]


def cut_short(oven: Oven) -> Oven:
    """The recorder keeps the first 96 bytes of each frame."""
    for sighting in oven.plant.wire:
        sighting.cut = SNAP_BYTES - len(sighting.head or b"")
    return oven


def begun_late(oven: Oven) -> Oven:
    """The recording begins four seconds before."""
    for sighting in oven.plant.wire:
        sighting.lost |= seconds(sighting) < FALL - 4
    return oven


def ended_early(oven: Oven) -> Oven:
    """The recording ends before health returns."""
    for sighting in oven.plant.wire:
        sighting.lost |= seconds(sighting) > BACK - 1.5
    return oven
