"""Frames in, the same frames with their messages, times or order changed out (in place)."""

from __future__ import annotations

import struct
from random import Random

from tests.builders.adus import FUNCTIONS, adu, pdus
from tests.builders.packets import ACK, FIN, PSH, RST, SYN
from tests.fuzz.frames import INTERESTING, Frame, Places, places, poke, put, set_payload
from tests.fuzz.headers import Mutator, one

_MOST_COPIES = 60
LAST_NS = (1 << 63) - 1


def with_payload(frames: list[Frame], rng: Random) -> tuple[Frame, bytes] | None:
    """Some frame that carries data, and the data, where a few tries find one."""
    for _ in range(6):
        frame = one(frames, rng)
        found = places(frame)
        if found.payload is not None and found.end > found.payload:
            return frame, frame.data[found.payload : found.end]
    return None


def _field(at: int, size: int) -> Mutator:
    """Another number at a place of the message, its length kept."""

    def mutate(frames: list[Frame], rng: Random) -> None:
        chosen = with_payload(frames, rng)
        if chosen:
            set_payload(chosen[0], poke(chosen[1], at, size, rng))

    return mutate


def any_byte(frames: list[Frame], rng: Random) -> None:
    """Another byte anywhere in a message."""
    if chosen := with_payload(frames, rng):
        set_payload(chosen[0], poke(chosen[1], rng.randrange(len(chosen[1])), 1, rng))


def function(frames: list[Frame], rng: Random) -> None:
    """Another function code, or an exception."""
    if chosen := with_payload(frames, rng):
        frame, payload = chosen
        code = rng.choice(
            (*FUNCTIONS, 0, 19, 25, 0x64, 0x7F, 0x80, payload[7] | 0x80 if len(payload) > 7 else 0x83)
        )
        if len(payload) > 7:
            set_payload(frame, put(payload, 7, 1, code))


def whole_pdu(frames: list[Frame], rng: Random) -> None:
    """The PDU of any function, in a sound header."""
    if chosen := with_payload(frames, rng):
        frame, payload = chosen
        pair = pdus(
            rng.choice(FUNCTIONS), rng.choice((0, 1, 100, 65485)), rng.randint(1, 16), rng.randrange(65536)
        )
        set_payload(frame, adu(int.from_bytes(payload[:2], "big"), rng.randrange(256), rng.choice(pair)))


def length_fits(frames: list[Frame], rng: Random) -> None:
    """A message longer or shorter than its function asks for, with MBAP's length right."""
    if chosen := with_payload(frames, rng):
        frame, payload = chosen
        body = payload[6 : 6 + rng.choice((0, 1, 2, 3, 4, 253, 254, 255, 300))]
        body += rng.randbytes(rng.choice((0, 0, 1, 2, 60, 250)))
        set_payload(frame, payload[:4] + struct.pack(">H", len(body)) + body)


def longer(frames: list[Frame], rng: Random) -> None:
    """Bytes after, before or within what a segment carries: noise, zeros, headers, or what another one carries."""
    if chosen := with_payload(frames, rng):
        frame, payload = chosen
        other = with_payload(frames, rng) or chosen
        more = rng.choice((
            other[1], other[1] * rng.choice((2, 5, 40)), bytes(rng.choice((1, 2, 6, 7, 8))),
            rng.randbytes(rng.randint(1, 40)), struct.pack(">HHHB", 1, 0, 6, 1), payload[: rng.randrange(8)],
        ))  # fmt: skip
        at = rng.choice((0, len(payload), rng.randrange(len(payload))))
        set_payload(frame, (payload[:at] + more + payload[at:])[:20_000])


def shorter(frames: list[Frame], rng: Random) -> None:
    """Bytes of a segment left out."""
    if chosen := with_payload(frames, rng):
        frame, payload = chosen
        start = rng.randrange(len(payload))
        set_payload(frame, payload[:start] + payload[start + rng.choice((1, 2, 6, 300)) :])


def split(frames: list[Frame], rng: Random) -> None:
    """A segment cut into two to all of its bytes, which arrive in any order."""
    place = rng.randrange(len(frames))
    frame = frames[place]
    found = places(frame)
    if found.tcp is None or found.payload is None or found.end - found.payload < 2:
        return
    payload = frame.data[found.payload : found.end]
    step = rng.choice((1, 2, 5, 6, 7, 8, 9, max(len(payload) // 2, 1)))
    pieces = [_piece(frame, found, at, payload[at : at + step]) for at in range(0, len(payload), step)][
        :_MOST_COPIES
    ]
    if rng.random() < 0.4:
        rng.shuffle(pieces)
    frames[place : place + 1] = pieces


def _piece(frame: Frame, found: Places, at: int, payload: bytes) -> Frame:
    piece = frame.copy()
    tcp = found.tcp or 0
    number = int.from_bytes(frame.data[tcp + 4 : tcp + 8], "big")
    piece.data = put(piece.data, tcp + 4, 4, number + at)
    set_payload(piece, payload)
    return piece


# Times.


def step_clock(frames: list[Frame], rng: Random) -> None:
    """The clock steps, forward or back, for one frame or from it on."""
    by = rng.choice((-1, 1)) * 10 ** rng.randrange(19)
    start = rng.randrange(len(frames))
    for frame in frames[start : start + rng.choice((1, len(frames)))]:
        frame.time_ns = min(max(frame.time_ns + by, 0), LAST_NS)


def equal_times(frames: list[Frame], rng: Random) -> None:
    """Frames at one and the same time."""
    start = rng.randrange(len(frames))
    for frame in frames[start : start + rng.choice((2, 5, len(frames)))]:
        frame.time_ns = frames[start].time_ns


def odd_time(frames: list[Frame], rng: Random) -> None:
    """A time that no recorder gives."""
    one(frames, rng).time_ns = min(rng.choice(INTERESTING) * rng.choice((1, 10**9)), LAST_NS)


def scale_times(frames: list[Frame], rng: Random) -> None:
    """Everything slower, faster, or backwards."""
    by = rng.choice((-1, 0, 10, 1000, 10**6))
    first = frames[0].time_ns
    for frame in frames:
        frame.time_ns = min(max(first + (frame.time_ns - first) * by, 0), LAST_NS)


# Order, and frames as a whole.


def swap(frames: list[Frame], rng: Random) -> None:
    """Two frames change places, and perhaps times."""
    a, b = rng.randrange(len(frames)), rng.randrange(len(frames))
    frames[a], frames[b] = frames[b], frames[a]
    if rng.random() < 0.5:
        frames[a].time_ns, frames[b].time_ns = frames[b].time_ns, frames[a].time_ns


def drop(frames: list[Frame], rng: Random) -> None:
    """Frames that are not there."""
    start = rng.randrange(len(frames))
    del frames[start : start + rng.choice((1, 1, 2, 5))]


def double(frames: list[Frame], rng: Random) -> None:
    """Frames that come again: at once, later, or very often."""
    start = rng.randrange(len(frames))
    length = rng.choice((1, 1, 2, 5, len(frames)))
    later = rng.choice((0, 0, 1000, 10_000_000, 10_000_001, 3 * 10**9))
    times = rng.choice((1, 1, 2, max(_MOST_COPIES // length, 1)))
    run = frames[start : start + length]
    copies = [
        frame.copy(time_ns=min(frame.time_ns + later * n, LAST_NS))
        for n in range(1, times + 1)
        for frame in run
    ]
    frames[start + length : start + length] = copies


def scatter(frames: list[Frame], rng: Random) -> None:
    """A stretch in any order."""
    start = rng.randrange(len(frames))
    run = frames[start : start + rng.choice((3, 8, len(frames)))]
    rng.shuffle(run)
    frames[start : start + len(run)] = run


def truncate(frames: list[Frame], rng: Random) -> None:
    """The recorder kept less of a frame, or of all of them."""
    length = rng.choice((0, 14, 34, 54, 60, 61, 62, 64, 66, 67, 70, 74))
    for frame in frames if rng.random() < 0.3 else [one(frames, rng)]:
        frame.data = frame.data[:length]


def end(flags: int) -> Mutator:
    """A segment that opens, closes or resets a connection, amid the others."""

    def mutate(frames: list[Frame], rng: Random) -> None:
        place = rng.randrange(len(frames))
        frame = frames[place].copy()
        found = places(frame)
        if found.tcp is not None:
            set_payload(frame, b"")
            frame.data = put(frame.data, found.tcp + 13, 1, flags)
            if rng.random() < 0.3:
                frame.data = poke(frame.data, found.tcp + 4, 4, rng)
            frames.insert(place, frame)

    return mutate


def noise(frames: list[Frame], rng: Random) -> None:
    """Random bytes anywhere in a frame, or instead of one."""
    frame = one(frames, rng)
    if rng.random() < 0.2:
        frame.rewrite(rng.randbytes(rng.choice((0, 1, 13, 14, 60, 200))))
        return
    for _ in range(rng.choice((1, 1, 2, 8))):
        frame.data = poke(frame.data, rng.randrange(len(frame.data) or 1), 1, rng)


def lengths(frames: list[Frame], rng: Random) -> None:
    """A frame that was longer on the wire than recorded, or shorter, or has padding."""
    frame = one(frames, rng)
    frame.original = rng.choice((0, 1, len(frame.data) - 1, len(frame.data) + 1, 65535, 65536, (1 << 32) - 1))
    frame.data += rng.choice((b"", bytes(6), b"\xff" * 46))


MBAP: dict[str, Mutator] = {
    "transaction identifier": _field(0, 2), "protocol identifier": _field(2, 2), "length": _field(4, 2),
    "unit identifier": _field(6, 1), "whole message, other length": length_fits,
}  # fmt: skip
PDU: dict[str, Mutator] = {
    "function code": function, "address": _field(8, 2), "quantity": _field(10, 2), "byte count": _field(8, 1),
    "written byte count": _field(12, 1), "written quantity": _field(14, 2), "byte count (23)": _field(16, 1),
    "any byte": any_byte, "another PDU": whole_pdu,
}  # fmt: skip
SEGMENTS: dict[str, Mutator] = {
    "longer": longer, "shorter": shorter, "split": split, "SYN": end(SYN), "SYN and ACK": end(SYN | ACK),
    "FIN": end(FIN | ACK), "RST": end(RST), "all flags": end(SYN | FIN | RST | PSH | ACK),
}  # fmt: skip
TIMES: dict[str, Mutator] = {
    "clock step": step_clock, "equal": equal_times, "odd": odd_time, "scaled": scale_times,
}  # fmt: skip
ORDER: dict[str, Mutator] = {
    "swap": swap, "drop": drop, "double": double, "scatter": scatter, "truncate": truncate, "noise": noise,
    "lengths": lengths,
}  # fmt: skip
