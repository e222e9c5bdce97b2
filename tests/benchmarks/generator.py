"""A shape and a size → a pcap file of Modbus TCP polling, at some hundred megabytes a second.

    python -m tests.benchmarks.generator polling.pcap --size 50MB --connections 5000 --random-order

Every connection makes one poll of its list a cycle: reads, and from the first master also writes. A smaller
capture of the same shape is the beginning of a larger one; both end amid the traffic, as recordings do.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.headers import FILE_HEADER
from tests.benchmarks.plan import handshakes, polling
from tests.benchmarks.shape import READS, Shape, connections_of, parse_bytes
from tests.benchmarks.template import State, Template

BEGINS_US = 1_704_067_200_000_000  # 2024-01-01T00:00:00Z


@dataclass(frozen=True)
class Generated:
    """What was written: of ``transactions`` the last ones may lack their reply."""

    path: Path
    size_bytes: int
    frames: int
    transactions: int


def generate(path: Path, size_bytes: int, shape: Shape) -> Generated:
    """Write a capture of at most ``size_bytes``, and at least that less one frame."""
    written, frames, transactions = len(FILE_HEADER), 0, 0
    with path.open("wb") as file:
        file.write(FILE_HEADER)
        for template in _filled_templates(shape):
            count = int(np.searchsorted(template.end, size_bytes - written, side="right"))
            if count:
                end = int(template.end[count - 1])
                file.write(template.data[:end].data)
                written += end
            frames += count
            transactions += int(np.count_nonzero(template.requests[:count]))
            if count < len(template.end):
                break
    return Generated(path, written, frames, transactions // (2 if shape.double else 1))


def _filled_templates(shape: Shape) -> Iterator[Template]:
    """The handshakes, then polling without end."""
    connections = connections_of(shape)
    rng = np.random.default_rng([shape.seed, 3])
    flows = len(connections.first_sequence)
    state = State(connections.first_sequence, np.zeros(flows, np.int64), 1, BEGINS_US)
    opening = Template(shape, connections, handshakes(shape))
    opening.fill(state, rng)
    yield opening
    state.move(opening.plan)
    cycles = -(-shape.template_frames // (shape.connections * shape.frames_per_transaction))
    # A template that is shorter than the poll list needs companions, so that each poll has its turn.
    firsts = range(0, max(cycles, len(READS)), cycles)
    templates = [Template(shape, connections, polling(shape, first, cycles)) for first in firsts]
    while True:
        for template in templates:
            template.fill(state, rng)
            yield template
            state.move(template.plan)


def add_shape_options(parser: argparse.ArgumentParser) -> None:
    """The options from which ``shape_of`` makes a shape."""
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--masters", type=int, default=2)
    parser.add_argument("--connections", type=int, help="as many devices as give this number of connections")
    parser.add_argument("--frames", type=int, choices=(2, 3, 4), default=3, help="frames a transaction")
    parser.add_argument("--ipv6", action="store_true")
    parser.add_argument(
        "--random-order", action="store_true", help="another order of connections in each cycle"
    )
    parser.add_argument(
        "--shuffle", type=float, default=0, metavar="FRACTION", help="replies in swapped segments"
    )
    parser.add_argument("--double", action="store_true", help="record every frame twice")
    parser.add_argument("--seed", type=int, default=1)


def shape_of(options: argparse.Namespace) -> Shape:
    """The shape that the options describe."""
    devices = -(-options.connections // options.masters) if options.connections else options.devices
    return Shape(
        devices=devices,
        masters=options.masters,
        frames_per_transaction=options.frames,
        ipv6=options.ipv6,
        random_order=options.random_order,
        shuffle=options.shuffle,
        double=options.double,
        seed=options.seed,
    )


def main() -> None:
    """Write one capture and say what it holds."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.generator", description="Write a capture."
    )
    parser.add_argument("path", type=Path)
    parser.add_argument("--size", type=parse_bytes, default="50MB", help="such as 50MB or 1GB")
    add_shape_options(parser)
    options = parser.parse_args()
    made = generate(options.path, options.size, shape_of(options))
    print(
        f"{made.path}: {made.size_bytes:,} bytes, {made.frames:,} frames, {made.transactions:,} transactions"
    )


if __name__ == "__main__":
    main()
