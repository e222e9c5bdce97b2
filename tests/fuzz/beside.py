"""Frames in, the same among frames that say something beside Modbus out (in place), damaged or not, or in floods."""

from __future__ import annotations

import functools
from random import Random

from tests.builders.packets import ETHERNET
from tests.fuzz.frames import Frame, poke
from tests.fuzz.headers import Mutator

_WAITS_NS = (0, 1, 1_000_000, 9_999_999, 10_000_001, 125_000_000, 1_000_000_000)


@functools.cache
def _built() -> dict[str, bytes]:
    from tests.builders.beside import CASES, record  # scapy takes a second to import

    return {name: record(packet)[1] for name, (packet, _) in CASES.items()}


def _amid(frames: list[Frame], rng: Random, made: list[bytes], wait_ns: int) -> None:
    """Put the frames behind some other one, each a moment after the one before."""
    place = rng.randrange(len(frames))
    before = frames[place]
    link = before.link if rng.random() < 0.2 else ETHERNET
    frames[place + 1 : place + 1] = [
        Frame(before.time_ns + number * wait_ns, data, max(len(data), 60), link)
        for number, data in enumerate(made, 1)
    ]


def some(frames: list[Frame], rng: Random) -> None:
    """A few of them, whole."""
    _amid(frames, rng, rng.choices(list(_built().values()), k=rng.choice((1, 3, 8))), rng.choice(_WAITS_NS))


def damaged(frames: list[Frame], rng: Random) -> None:
    """A few of them, with bytes changed, or cut short."""
    made = []
    for data in rng.choices(list(_built().values()), k=rng.choice((1, 3, 8))):
        for _ in range(rng.choice((1, 1, 2))):
            data = poke(data, rng.randrange(len(data)), rng.choice((1, 2, 4)), rng)
        made.append(data[: rng.randrange(len(data) + 1)] if rng.random() < 0.3 else data)
    _amid(frames, rng, made, rng.choice(_WAITS_NS))


def flood(frames: list[Frame], rng: Random) -> None:
    """One of them again and again, or with addresses counted up."""
    data = rng.choice(list(_built().values()))
    at = rng.randrange(6, min(len(data), 44)) if rng.random() < 0.5 else None
    made = [data if at is None else data[:at] + bytes([k & 255]) + data[at + 1 :] for k in range(60)]
    _amid(frames, rng, made, rng.choice(_WAITS_NS))


BESIDE: dict[str, Mutator] = {"some": some, "damaged": damaged, "flood": flood}
