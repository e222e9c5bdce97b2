"""Frames in, the same in a tunnel, a tag or fragments out (in place), with the outer headers damaged or not."""

from __future__ import annotations

from random import Random

from tests.builders.packets import ETHERNET
from tests.builders.tunnels import TUNNELS as WAYS
from tests.fuzz.frames import Frame, poke
from tests.fuzz.headers import Mutator

_IPV4 = b"\x08\x00"


def _wrap(name: str) -> Mutator:
    """One way of carrying frames, for a stretch of them or all; some with a byte of the outer headers changed."""
    way = WAYS[name]

    def mutate(frames: list[Frame], rng: Random) -> None:
        start = rng.choice((0, rng.randrange(len(frames))))
        run = frames[start : start + rng.choice((1, 5, len(frames)))]
        is_damaged = rng.random() < 0.4
        carried: list[Frame] = []
        for number, frame in enumerate(run):
            if frame.link != ETHERNET or (way.only_ip and frame.data[12:14] != _IPV4) or len(frame.data) < 34:
                carried.append(frame)
                continue
            for data in way.wrap(frame.data, number):
                outer = max(len(data) - len(frame.data), 1) + 20
                if is_damaged and rng.random() < 0.3:
                    data = poke(data, rng.randrange(min(outer, len(data))), rng.choice((1, 2)), rng)
                carried.append(frame.copy(data=data, original=len(data)))
        if rng.random() < 0.15:
            rng.shuffle(carried)
        frames[start : start + len(run)] = carried

    return mutate


TUNNELS: dict[str, Mutator] = {name: _wrap(name) for name in WAYS}
