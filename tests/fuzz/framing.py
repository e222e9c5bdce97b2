"""Frames in, the same frames in serial framing, or as datagrams, or in between, out (in place)."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random

from tests.builders.adus import FUNCTIONS, pdus
from tests.builders.packets import Link
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.recorder import recorded
from tests.builders.serial import Ends, crc_16, datagram, rtu
from tests.fuzz.frames import Frame, places, set_payload
from tests.fuzz.headers import Mutator
from tests.fuzz.messages import with_payload

_READS_AS_BOTH = bytes.fromhex("010300000002C40B")  # an MBAP request of function 0B as well


def framed(frames: list[Frame], rng: Random) -> None:
    """A message, or every message, without its MBAP header and with a CRC; sometimes in pieces or twice."""
    chosen = frames if rng.random() < 0.5 else [rng.choice(frames)]
    for frame in chosen:
        found = places(frame)
        if found.payload is None or found.end - found.payload < 8:
            continue
        payload = frame.data[found.payload : found.end]
        whole = rtu(payload[6], payload[7:])
        set_payload(frame, rng.choice((whole, whole, whole, whole * 2, whole[:-1], whole + whole[:3])))


def sound(frames: list[Frame], rng: Random) -> None:
    """A payload whose last two bytes are the CRC of those before."""
    if chosen := with_payload(frames, rng):
        set_payload(chosen[0], chosen[1][:-2] + crc_16(chosen[1][:-2]))


def both(frames: list[Frame], rng: Random) -> None:
    """A message that is faultless in either framing, in front of what a segment carries or in its place."""
    if chosen := with_payload(frames, rng):
        set_payload(chosen[0], _READS_AS_BOTH + rng.choice((b"", b"", chosen[1], bytes(3))))


def as_datagram(frames: list[Frame], rng: Random) -> None:
    """A segment's payload, or every one's, by UDP between the same ports."""
    chosen = frames if rng.random() < 0.5 else [rng.choice(frames)]
    for frame in chosen:
        found = places(frame)
        if found.tcp is None or found.payload is None or found.ip is None:
            continue
        payload = frame.data[found.payload : found.end]
        length = 8 + len(payload) if rng.random() < 0.95 else rng.randrange(1 << 16)
        head = frame.data[found.tcp : found.tcp + 4] + length.to_bytes(2, "big") + rng.randbytes(2)
        packet = bytearray(frame.data[found.ip : found.tcp] + head + payload)
        if len(packet) < 10:  # of a header that was cut
            continue
        at, size = (2, len(packet)) if found.version == 4 else (4, len(packet) - 40)
        packet[9 if found.version == 4 else 6] = 17  # IANA: UDP
        packet[at : at + 2] = (size % (1 << 16)).to_bytes(2, "big")
        frame.rewrite(frame.data[: found.ip] + bytes(packet))


FRAMING: Mapping[str, Mutator] = {
    "serial": framed, "right CRC": sound, "both framings": both, "datagram": as_datagram,
}  # fmt: skip


def serial_conversation(rng: Random, link: Link) -> list[Frame]:
    """A master and a device that speak in serial framing, by TCP in pieces, or by UDP."""
    plant = Plant()
    ends: Ends = (("192.0.2.10", 49152), ("192.0.2.50", 502))
    connection = plant.connection(*ends)
    by_udp = rng.random() < 0.25
    if rng.random() < 0.6:
        connection.handshake()
    for _ in range(rng.randint(1, 8)):
        function = rng.choice((3, 3, 3, 6, 16, *FUNCTIONS))
        pair = pdus(function, rng.randrange(4), rng.randint(1, 8), rng.randrange(10))
        for side in (MASTER, DEVICE):
            message = rtu(rng.choice((1, 1, 2, 0)), pair[side])
            cut = rng.choice((0, 0, 0, rng.randrange(len(message))))
            for part in (message[:cut], message[cut:]):
                if by_udp:
                    datagram(plant, ends if side == MASTER else (ends[1], ends[0]), part, wait=0.01)
                elif part:
                    connection.segment(side, part, wait=0.01).lost = rng.random() < 0.03
    return [Frame(t, data, original, link.number) for t, data, original in recorded(plant.wire, link)]
