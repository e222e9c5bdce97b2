"""Frames in, the same frames with one thing wrong in a link, IP or TCP header out (in place)."""

from __future__ import annotations

import struct
from collections.abc import Callable
from random import Random

from tests.builders.packets import COOKED, COOKED_2, ETHERNET, IPV4, IPV6, LOOP, NULL, RAW
from tests.fuzz.frames import Frame, Places, places, poke, put, resize

Mutator = Callable[[list[Frame], Random], None]
LINK_NUMBERS = (ETHERNET, RAW, COOKED, COOKED_2, NULL, LOOP, IPV4, IPV6, 105, 127, 147, 65535)
_ETHERTYPES = (0x0800, 0x86DD, 0x0806, 0x8100, 0x88A8, 0x9100, 0x8847, 0x8864, 0x88BE, 0x05DC, 0xFFFF)
_PROTOCOLS = (0, 1, 4, 6, 17, 41, 43, 44, 47, 50, 51, 58, 59, 60, 135, 255)
_FLAGS = (0x00, 0x01, 0x02, 0x04, 0x08, 0x10, 0x11, 0x12, 0x14, 0x18, 0x1F, 0x29, 0xFF)
_PORTS = (502, 502, 802, 0, 1, 49152, 65535)


def one(frames: list[Frame], rng: Random) -> Frame:
    """Some frame."""
    return rng.choice(frames)


def located(frames: list[Frame], rng: Random) -> tuple[Frame, Places]:
    """Some frame that has a TCP header, where a few tries find one."""
    for _ in range(4):
        frame = rng.choice(frames)
        found = places(frame)
        if found.tcp is not None:
            break
    return frame, found


# Link.


def tag(frames: list[Frame], rng: Random) -> None:
    """VLAN tags, of one frame or all of them; sometimes more than any switch stacks."""
    count = rng.choice((1, 1, 2, 3, 20, 300))
    tags = b"".join(
        struct.pack(">HH", rng.choice((0x8100, 0x88A8, 0x9100, 0x9200)), rng.randrange(4096))
        for _ in range(count)
    )
    chosen = frames if rng.random() < 0.5 else [one(frames, rng)]
    for frame in chosen:
        if frame.link == ETHERNET:
            frame.data = frame.data[:12] + tags + frame.data[12:]
            frame.original += len(tags)


def ethertype(frames: list[Frame], rng: Random) -> None:
    """Another protocol above the link, or none."""
    frame = one(frames, rng)
    at = places(frame).ethertype
    if at is not None:
        frame.data = put(frame.data, at, 2, rng.choice(_ETHERTYPES))


def link_number(frames: list[Frame], rng: Random) -> None:
    """Another link type than the frames have, of all of them or from some frame on."""
    number = rng.choice((*LINK_NUMBERS, rng.randrange(65536)))
    for frame in frames[rng.choice((0, 0, rng.randrange(len(frames)))) :]:
        frame.link = number


def short_link(frames: list[Frame], rng: Random) -> None:
    """A frame that ends within its headers."""
    frame = one(frames, rng)
    frame.data = frame.data[: rng.randrange(0, 60)]
    if rng.random() < 0.5:
        frame.original = len(frame.data)


# IP.


def _ip(at4: int, size4: int, at6: int, size6: int) -> Mutator:
    """Another number in a field of the IP header."""

    def mutate(frames: list[Frame], rng: Random) -> None:
        frame = one(frames, rng)
        found = places(frame)
        if found.ip is not None:
            at, size = (at4, size4) if found.version == 4 else (at6, size6)
            frame.data = poke(frame.data, found.ip + at, size, rng)

    return mutate


def ip_protocol(frames: list[Frame], rng: Random) -> None:
    """Another protocol above IP."""
    frame = one(frames, rng)
    found = places(frame)
    if found.ip is not None:
        at = found.ip + (9 if found.version == 4 else 6)
        frame.data = put(frame.data, at, 1, rng.choice(_PROTOCOLS))


def ip_total(frames: list[Frame], rng: Random) -> None:
    """IP counts nothing (as where a network card cuts segments), or a few bytes more or less."""
    frame = one(frames, rng)
    found = places(frame)
    if found.ip is not None:
        at = found.ip + (2 if found.version == 4 else 4)
        value = int.from_bytes(frame.data[at : at + 2], "big")
        frame.data = put(frame.data, at, 2, rng.choice((0, value - 1, value + 1, value - 12, 20, 40, 39, 19)))


def ip_options(frames: list[Frame], rng: Random) -> None:
    """IPv4 options, or a chain of IPv6 extension headers, with right lengths or not."""
    frame, found = located(frames, rng)
    if found.ip is None or found.tcp is None:
        return
    if found.version == 4:
        words = rng.randint(1, 10)
        resize(frame, found.ip + 20, 0, rng.randbytes(4 * words))
        frame.data = put(frame.data, found.ip, 1, 0x45 + words)
        return
    kinds = [rng.choice((0, 43, 44, 51, 60, 135, 50)) for _ in range(rng.choice((1, 1, 2, 5, 15, 16, 17)))]
    chain = b""
    for following in [*kinds[1:], 6]:
        chain += bytes([following, rng.choice((0, 0, 0, 1, 4, 255))]) + rng.choice(
            (bytes(6), rng.randbytes(6))
        )
    resize(frame, found.ip + 40, 0, chain)
    frame.data = put(frame.data, found.ip + 6, 1, kinds[0])


def fragment(frames: list[Frame], rng: Random) -> None:
    """An IPv4 packet in two fragments, in order or not."""
    place = rng.randrange(len(frames))
    frame = frames[place]
    found = places(frame)
    if found.ip is None or found.tcp is None or found.version != 4:
        return
    body = frame.data[found.tcp : found.end]
    at = 8 * rng.randint(1, 3)
    head = frame.data[: found.tcp]
    pieces = []
    for part, offset in ((body[:at], 0x2000), (body[at:], at // 8)):
        data = put(head, found.ip + 2, 2, found.tcp - found.ip + len(part))
        pieces.append(frame.copy(data=put(data, found.ip + 6, 2, offset) + part))
        pieces[-1].original = len(pieces[-1].data)
    frames[place : place + 1] = pieces if rng.random() < 0.7 else pieces[::-1]


def addresses(frames: list[Frame], rng: Random) -> None:
    """Source and target change places, or one of their bytes changes."""
    frame = one(frames, rng)
    found = places(frame)
    if found.ip is None:
        return
    first, size = (found.ip + 12, 4) if found.version == 4 else (found.ip + 8, 16)
    if rng.random() < 0.5:
        frame.data = poke(frame.data, first + rng.randrange(2 * size), 1, rng)
        return
    source, target = (frame.data[at : at + size] for at in (first, first + size))
    frame.data = frame.data[:first] + target + source + frame.data[first + 2 * size :]


# TCP (RFC 9293, 3.1).


def tcp_field(at: int, size: int) -> Mutator:
    """Another number in a field of the TCP header."""

    def mutate(frames: list[Frame], rng: Random) -> None:
        frame, found = located(frames, rng)
        if found.tcp is not None:
            frame.data = poke(frame.data, found.tcp + at, size, rng)

    return mutate


def flags(frames: list[Frame], rng: Random) -> None:
    """Another combination of flags."""
    frame, found = located(frames, rng)
    if found.tcp is not None:
        frame.data = put(frame.data, found.tcp + 13, 1, rng.choice((*_FLAGS, rng.randrange(256))))


def ports(frames: list[Frame], rng: Random) -> None:
    """Other ports in one frame or in all: changed places, both the server's, neither."""
    exchanged = rng.random() < 0.4
    pair = [rng.choice(_PORTS), rng.choice(_PORTS)]
    for frame in frames if rng.random() < 0.3 else [one(frames, rng)]:
        at = places(frame).tcp
        if at is not None:
            old = frame.data[at : at + 4]
            new = old[2:] + old[:2] if exchanged else struct.pack(">HH", *pair)
            frame.data = frame.data[:at] + new + frame.data[at + 4 :]


def jump(frames: list[Frame], rng: Random) -> None:
    """Sequence or acknowledgement numbers that jump in one frame, from some frame on, or at every frame."""
    far = rng.choice(
        (1, -1, 2, -2, 12, 512, 1 << 16, 1 << 20, -(1 << 20) - 1, (1 << 30) + 1, 1 << 31, -(1 << 31))
    )
    field = rng.choice((4, 4, 8))
    start = rng.randrange(len(frames))
    how = rng.randrange(3)
    chosen = frames[start : start + 1] if how == 0 else frames[start:]
    total = 0
    for frame in chosen:
        total += far if how == 2 or not total else 0
        at = places(frame).tcp
        if at is not None:
            value = int.from_bytes(frame.data[at + field : at + field + 4], "big")
            frame.data = put(frame.data, at + field, 4, value + total)


def tcp_options(frames: list[Frame], rng: Random) -> None:
    """TCP options, with the data offset right, or one word off."""
    frame, found = located(frames, rng)
    if found.tcp is None:
        return
    words = rng.randint(1, 10)
    resize(frame, found.tcp + 20, 0, rng.choice((b"\1" * 4 * words, rng.randbytes(4 * words))))
    offset = min((frame.data[found.tcp + 12] >> 4) + words + rng.choice((0, 0, 0, -1, 1)), 15)
    frame.data = put(frame.data, found.tcp + 12, 1, offset << 4)


LINK: dict[str, Mutator] = {
    "VLAN tags": tag, "EtherType": ethertype, "link type": link_number, "cut in headers": short_link,
}  # fmt: skip
IP: dict[str, Mutator] = {
    "version and header length": _ip(0, 1, 0, 1),
    "length": _ip(2, 2, 4, 2),
    "length near": ip_total,
    "fragment field": _ip(6, 2, 6, 1),
    "identification": _ip(4, 2, 7, 1),
    "protocol": ip_protocol,
    "options, extensions": ip_options,
    "fragments": fragment,
    "addresses": addresses,
}
TCP: dict[str, Mutator] = {
    "port": tcp_field(0, 2), "other port": tcp_field(2, 2), "sequence number": tcp_field(4, 4),
    "acknowledgement": tcp_field(8, 4), "data offset": tcp_field(12, 1), "flags": flags, "flags at random": flags,
    "window": tcp_field(14, 2), "checksum": tcp_field(16, 2), "urgent": tcp_field(18, 2), "ports": ports,
    "numbers jump": jump, "numbers jump further": jump, "options": tcp_options,
}  # fmt: skip
