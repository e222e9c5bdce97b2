"""What goes by on one side of an address translation in, the same as it looks on the other side out."""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Mapping, Sequence
from dataclasses import replace

from tests.builders.packets import tcp_packet
from tests.builders.plant import Sighting

End = tuple[str, int]


def ends_of(packet: bytes) -> tuple[End, End]:
    """Source and destination of an IPv4 packet without options (RFC 791, 3.1; RFC 9293, 3.1)."""
    addresses = [str(ipaddress.ip_address(packet[at : at + 4])) for at in (12, 16)]
    ports = struct.unpack(">HH", packet[20:24])
    return (addresses[0], ports[0]), (addresses[1], ports[1])


def translated(
    wire: Sequence[Sighting], ends: Mapping[End, End], delay_ns: int = 300_000, port: int = 502
) -> list[Sighting]:
    """Another sighting of each packet that one of ``ends`` sends or gets, on the masters' side of the box.

    ``ends``: as the devices' side shows them → as the masters' side does. Requests go by there earlier, replies
    later. Sequence numbers, flags and payload stay (RFC 3022, 4.1); checksums are anew.
    """
    made = []
    for sighting in wire:
        source, target = ends_of(sighting.packet)
        if source not in ends and target not in ends:
            continue
        seq, ack, offset, flags = struct.unpack(">IIBB", sighting.packet[24:34])
        payload = sighting.packet[20 + (offset >> 4) * 4 :]
        packet = tcp_packet(
            ends.get(source, source), ends.get(target, target), seq, ack, flags, payload,
            ip_id=int.from_bytes(sighting.packet[4:6], "big"),
        )  # fmt: skip
        later = delay_ns if source[1] == port else -delay_ns
        made.append(replace(sighting, packet=packet, time_ns=sighting.time_ns + later))
    return made
