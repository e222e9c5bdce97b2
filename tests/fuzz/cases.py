"""A seed and a number in, one case out: always the same, on any machine."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Any

from tests.fuzz import beside, damage, framing, headers, messages, tunnels
from tests.fuzz.bases import base
from tests.fuzz.files import Parts, pcap_parts, pcapng_parts
from tests.fuzz.frames import Frame
from tests.fuzz.sites import TEXTS, mutated

SHARED_BASE = 16  # consecutive cases mutate the same conversation: making one costs more than changing it
_MOST_FRAMES = 120
_LAYERS: tuple[tuple[str, int, Mapping[str, headers.Mutator]], ...] = (
    ("tunnels", 2, tunnels.TUNNELS), ("beside", 3, beside.BESIDE),
    ("link", 1, headers.LINK), ("IP", 2, headers.IP), ("TCP", 5, headers.TCP), ("segments", 3, messages.SEGMENTS),
    ("MBAP", 2, messages.MBAP), ("framing", 2, framing.FRAMING), ("PDU", 4, messages.PDU),
    ("times", 2, messages.TIMES), ("order", 4, messages.ORDER),
)  # fmt: skip
_PIECES: tuple[dict[str, int], ...] = (
    *[{}] * 9, {"block_bytes": 64, "batch_rows": 3}, {"block_bytes": 1000, "batch_rows": 2}, {"batch_rows": 7},
)  # fmt: skip
_PORTS = ((502,), (502,), (502,), (502,), (502, 49152), (49152, 49153), (502, 50000, 80), (0,))


@dataclass(frozen=True)
class Case:
    """What is read, and how. A case of ``is_site`` has a site file and a register list; others have captures."""

    name: str
    files: list[bytes]
    told: list[str] = field(default_factory=list)
    """What was mutated, as "layer: what"."""
    is_site: bool = False
    ports: tuple[int, ...] = (502,)
    sizes: dict[str, int] = field(default_factory=dict)
    """Block and batch sizes of the uncompiled reading; the compiled one always uses the usual ones."""
    site: int = 0
    """Which of `sites.sites` the diagnosis goes by."""


def case_of(seed: int, number: int) -> Case:
    """The case with this number."""
    rng = Random(f"{seed}/{number}")
    name = f"{seed} {number}"
    told: list[str] = []
    if number % 20 == 19:
        return Case(name, mutated(rng, told), told, is_site=True)
    frames = [frame.copy() for frame in _base(seed, number // SHARED_BASE)]
    _mutate_frames(frames, rng, told)
    files = [_written(run, rng, told) for run in _cut_into_files(frames, rng, told)]
    ports, sizes = rng.choice(_PORTS), rng.choice(_PIECES)
    if any(what.startswith("compressed") for what in told) and any(map(_loses_steps, files)):
        sizes = {}
    return Case(name, files, told, False, ports, sizes, rng.randrange(len(TEXTS) + 1))


@functools.lru_cache(maxsize=2)
def _base(seed: int, group: int) -> list[Frame]:
    return base(Random(f"{seed}/base/{group}"))


def _mutate_frames(frames: list[Frame], rng: Random, told: list[str]) -> None:
    weights = [weight for _, weight, _ in _LAYERS]
    for _ in range(rng.choice((0, 1, 1, 2, 3, 5, 8))):
        layer, _, mutators = rng.choices(_LAYERS, weights)[0]
        what = rng.choice(list(mutators))
        if frames:
            mutators[what](frames, rng)
            told.append(f"{layer}: {what}")
        del frames[_MOST_FRAMES:]


def _cut_into_files(frames: list[Frame], rng: Random, told: list[str]) -> list[list[Frame]]:
    """Mostly one file; else several, one after the other or interleaved."""
    if rng.random() > 0.05 or not frames:
        return [frames]
    told.append("files: several")
    count = rng.choice((2, 3))
    if rng.random() < 0.5:
        return [frames[n::count] for n in range(count)]
    middle = rng.randrange(len(frames))
    return [frames[:middle], frames[middle:]]


def _written(frames: list[Frame], rng: Random, told: list[str]) -> bytes:
    """A file of these frames, perhaps damaged, perhaps compressed and damaged again."""
    parts: Parts = (pcap_parts if rng.random() < 0.6 else pcapng_parts)(frames, rng)
    if rng.random() < 0.15:
        for _ in range(rng.choice((1, 1, 2, 4))):
            what = _some(damage.PARTS, rng)
            damage.PARTS[what](parts, rng)
            told.append(f"{parts.format}: {what}")
    data = parts.data
    if rng.random() < 0.05:
        data = _bytes_changed(data, "file", rng, told)
    if rng.random() < 0.1:
        data = damage.packed(data, rng)
        told.append("compressed: sound")
        if rng.random() < 0.4:
            told.pop()
            data = _bytes_changed(data, "compressed", rng, told)
    return data


def _bytes_changed(data: bytes, layer: str, rng: Random, told: list[str]) -> bytes:
    what = _some(damage.BYTES, rng)
    told.append(f"{layer}: {what}")
    return damage.BYTES[what](data, rng)


def _loses_steps(data: bytes) -> bool:
    """Whether what a damaged file gives depends on how much is unpacked at once: so with all but gzip."""
    return not data.startswith(b"\x1f\x8b")


def _some(table: Mapping[str, Any], rng: Random) -> str:
    return rng.choice(list(table))
