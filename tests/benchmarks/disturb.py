"""A generated capture → the same frames as a bad mirror port delivers them: doubled, out of order, or both."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.generator import Generated
from tests.benchmarks.headers import ETHERNET_BYTES, FILE_HEADER, RECORD_BYTES
from tests.benchmarks.plan import SYN
from tests.benchmarks.shape import Bytes, Ints, Shape
from tests.benchmarks.template import COPY_US

CHUNK_BYTES = 16 * 1024 * 1024  # read and written at a time
BLOCK = 4  # consecutive segments of a connection of which at most two change places
US_PER_S = 1_000_000
_WEIGHTS = np.random.default_rng(4).integers(1, 1 << 40, 64) | 1  # tells the ends of connections apart


@dataclass(frozen=True)
class Disturbance:
    """What the mirror port does. Times stay ascending, as it stamps frames when they reach it."""

    double: bool = False
    """Whether a copy comes right behind every frame, as from a mirror of both directions."""
    late: float = 0.0
    """Fraction of the segments that change places with one of the same connection, one to three on."""


def disturb(made: Generated, shape: Shape, path: Path, disturbance: Disturbance) -> Generated:
    """Write the disturbed capture, a piece at a time; segments with SYN keep their places."""
    rng = np.random.default_rng([shape.seed, 5])
    written, last_us = len(FILE_HEADER), 0
    with path.open("wb") as file:
        file.write(FILE_HEADER)
        for data, start in _chunks(made.path):
            time_us = _times_us(data, start[:-1])
            order = np.arange(len(time_us))
            if disturbance.late:
                order = _with_late_ones(_connections(data, start[:-1], shape), disturbance.late, rng)
            pieces, last_us = _recorded(data, start, order, time_us, disturbance.double, last_us)
            written += file.write(b"".join(pieces))
    copies = 2 if disturbance.double else 1
    return replace(made, path=path, size_bytes=written, frames=copies * made.frames)


def _chunks(path: Path) -> Iterator[tuple[Bytes, Ints]]:
    """Whole records, some MiB of them, and where each starts, with the end of the last one."""
    with path.open("rb") as file:
        file.seek(len(FILE_HEADER))
        rest = b""
        while more := file.read(CHUNK_BYTES):
            data = rest + more
            start = [0]
            while len(data) - start[-1] >= RECORD_BYTES:
                at = start[-1]
                start.append(at + RECORD_BYTES + int.from_bytes(data[at + 8 : at + 12], "little"))
            if start[-1] > len(data):
                start.pop()
            rest = data[start[-1] :]
            yield np.frombuffer(bytearray(data[: start[-1]]), np.uint8), np.array(start)


def _number(data: Bytes, at: Ints) -> Ints:
    """The 32-bit number at each place, little-endian."""
    return sum(
        (data[at + byte].astype(np.int64) << 8 * byte for byte in range(4)), np.zeros(len(at), np.int64)
    )


def _times_us(data: Bytes, start: Ints) -> Ints:
    return US_PER_S * _number(data, start) + _number(data, start + 4)


def _put_times(data: Bytes, start: Ints, time_us: Ints) -> None:
    for at, number in ((0, time_us // US_PER_S), (4, time_us % US_PER_S)):
        for byte in range(4):
            data[start + at + byte] = number >> 8 * byte & 0xFF


def _connections(data: Bytes, start: Ints, shape: Shape) -> Ints:
    """A number for each segment's connection, the same in both directions; -1 - row where it has SYN."""
    tcp = start + RECORD_BYTES + ETHERNET_BYTES + shape.ip_bytes
    width = 16 if shape.ipv6 else 4
    key = np.zeros(len(start), np.int64)
    for end in (0, 1):  # source and destination, weighted alike, so that both directions have one sum
        places = [
            *(tcp - (2 - end) * width + byte for byte in range(width)),
            tcp + 2 * end,
            tcp + 2 * end + 1,
        ]
        for weight, place in zip(_WEIGHTS, places, strict=False):
            key += weight * data[place]
    syn = data[tcp + 13] & SYN != 0
    return np.where(syn, -1 - np.arange(len(start)), key)


def _with_late_ones(connection: Ints, late: float, rng: np.random.Generator) -> Ints:
    """The order recorded: in some blocks of each connection's segments, two change places."""
    rows = np.argsort(connection, kind="stable")
    sorted_by = connection[rows]
    first = np.flatnonzero(np.r_[True, sorted_by[1:] != sorted_by[:-1]])
    within = np.arange(len(rows)) - np.repeat(first, np.diff(np.r_[first, len(rows)]))
    block = np.flatnonzero(within % BLOCK == 0)
    block = block[block + BLOCK <= len(rows)]
    block = block[sorted_by[block] == sorted_by[block + BLOCK - 1]]
    block = block[rng.random(len(block)) < BLOCK * late]
    distance = rng.integers(1, BLOCK, len(block))
    early = block + rng.integers(0, BLOCK - distance)
    order = np.arange(len(rows))
    order[rows[early]], order[rows[early + distance]] = rows[early + distance], rows[early]
    return order


def _recorded(
    data: Bytes, start: Ints, order: NDArray[np.intp], time_us: Ints, double: bool, last_us: int
) -> tuple[list[memoryview], int]:
    """The records in the order recorded, copies behind them; and the last one's time."""
    copies = 2 if double else 1
    time_us = np.repeat(time_us, copies)
    time_us[1::2] += COPY_US * double
    time_us = np.maximum.accumulate(np.maximum(time_us, last_us))
    views = []
    for copy in range(copies):
        view = data.copy()
        _put_times(view, start[order], time_us[copy::copies])
        whole = view.data
        ends = zip(start[order].tolist(), start[order + 1].tolist(), strict=True)
        views.append([whole[begin:end] for begin, end in ends])
    return [piece for same in zip(*views, strict=True) for piece in same], int(time_us[-1])
