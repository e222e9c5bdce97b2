"""Names of attacks in, what each costs beside harmless frames of the same number out: `python -m tests.fuzz hostile`.

Each is read, measured, diagnosed and printed in a process of its own, whose peak memory counts from when it began.
"""

from __future__ import annotations

import multiprocessing as mp
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from tabulate import tabulate

from mbsniff.capture import open_recording
from mbsniff.diagnose import diagnose
from mbsniff.exchange import read_exchange
from mbsniff.exchange.columns import ORPHAN, UNANSWERED
from mbsniff.measure import measure
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site
from mbsniff.wire.connections import LIMBS, MODULUS
from tests.builders.packets import ACK, PSH
from tests.builders.plant import BEGINS_NS
from tests.fuzz.floods import (
    Keys,
    Numbers,
    even_keys,
    guessed_keys,
    random_keys,
    write_flood,
    write_requests,
)

READ = bytes.fromhex("0001 0000 0006 01 03 0000 0001")
_context = mp.get_context("fork")
GUESS: Numbers = np.random.default_rng(0).integers(1 << 20, MODULUS, LIMBS, dtype=np.int64)
"""Multipliers of the hash, as an attacker who guesses the seed has them."""


@dataclass(frozen=True)
class Cost:
    """What reading a capture took, and what was told."""

    seconds: float
    grown_bytes: int
    doubts: list[str]
    requests: int
    unanswered: int
    page: str


def _jumping(step: int) -> Callable[[Path, int], Path]:
    def write(path: Path, count: int) -> Path:
        numbers = (1000 + step * np.arange(count)) & 0xFFFFFFFF
        return write_flood(path, count, Keys(), flags=ACK | PSH, sequence=numbers, payload=READ)

    return write


def half_open(path: Path, count: int) -> Path:
    """One master opens connection after connection, from each of its ports again and again."""
    numbers = np.arange(count)
    return write_flood(
        path, count, Keys(client_port=1024 + numbers % 64_000), sequence=numbers * 7919 & 0xFFFFFFFF
    )


def chosen_times(path: Path, count: int) -> Path:
    """Requests whose intervals are arranged to be the worst for a selection by the median of three."""
    half = count // 2
    intervals = np.empty(count, np.int64)
    places = np.arange(half)
    intervals[:half:1] = np.where(places % 2 == 0, places + 1, half + places + (half % 2 == 0))
    intervals[half:] = 2 * (np.arange(count - half) + 1)
    times_ns = BEGINS_NS + np.cumsum(intervals * 1000)
    numbers = (1000 + 12 * np.arange(count)) & 0xFFFFFFFF
    return write_flood(
        path, count, Keys(), flags=ACK | PSH, sequence=numbers, payload=READ, identifiers=np.arange(count),
        times_ns=times_ns,
    )  # fmt: skip


HARMLESS = "attempts, random addresses", "requests, one identifier"
ATTACKS: dict[str, tuple[str, Callable[[Path, int], Path]]] = {
    # name: what it is held against, what writes the capture
    HARMLESS[0]: (HARMLESS[0], lambda path, count: write_flood(path, count, random_keys(count))),
    "attempts, counted addresses": (HARMLESS[0], lambda path, count: write_flood(path, count, even_keys(count))),
    "attempts, seed guessed wrongly": (
        HARMLESS[0], lambda path, count: write_flood(path, count, guessed_keys(count, GUESS))
    ),
    "attempts, seed guessed rightly": (
        HARMLESS[0], lambda path, count: write_flood(path, count, guessed_keys(count, GUESS))
    ),
    "half-open connections": (HARMLESS[0], half_open),
    HARMLESS[1]: (HARMLESS[1], lambda path, count: write_requests(path, count, fixed=True)),
    "identifiers outstanding": (HARMLESS[1], write_requests),
    "numbers jump a little": (HARMLESS[1], _jumping(1000)),
    "numbers jump far": (HARMLESS[1], _jumping(0x31234567)),
    "times chosen": (HARMLESS[1], chosen_times),
}  # fmt: skip


def cost_of(path: Path, guessed_rightly: bool = False, site: Site | None = None) -> Cost:
    """Read a capture by compiled loops in a process of its own."""
    ours, theirs = _context.Pipe(duplex=False)
    process = _context.Process(target=_tell, args=(path, guessed_rightly, site, theirs))
    process.start()
    theirs.close()
    try:
        cost: Cost = ours.recv()
    finally:
        process.join()
    return cost


def _tell(path: Path, guessed_rightly: bool, site: Site | None, connection: Any) -> None:
    if guessed_rightly:
        _seed_once()
    before_bytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    begun = time.perf_counter()
    with open_recording([str(path)]) as recording:
        exchange, facts = read_exchange(recording, compiled=True)
    site = site or Site.empty().with_options(1_000_000_000, 16, 4.0)
    figures = measure(exchange, facts, site, compiled=True)
    diagnosis = diagnose(exchange, facts, figures, site)
    page = diagnosis_page(diagnosis, 120)
    seconds = time.perf_counter() - begun
    grown_bytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - before_bytes
    requests = int((exchange.kinds != ORPHAN).sum())
    unanswered = int((exchange.kinds == UNANSWERED).sum())
    connection.send(Cost(seconds, grown_bytes, list(diagnosis.doubts), requests, unanswered, page))


def _seed_once() -> None:
    """Have the first seed of the connections' table be the guessed one; later ones are drawn as always."""
    from mbsniff.wire import reader

    reader.seeded_multipliers = _first_then(GUESS.copy(), reader.seeded_multipliers)


def _first_then(first: Numbers, drawn: Callable[[], Numbers]) -> Callable[[], Numbers]:
    left = [first]
    return lambda: left.pop() if left else drawn()


def hostile(frames: int) -> int:
    """Print what each attack costs; 1 where one costs more than four times its harmless like."""
    costs: dict[str, Cost] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "flood.pcap"
        cost_of(write_requests(path, 100))  # compiles, if need be
        for name, (_, write) in ATTACKS.items():
            costs[name] = cost_of(write(path, frames), "rightly" in name)
    rows, dear = [], False
    for name, (beside, _) in ATTACKS.items():
        cost, times = costs[name], costs[name].seconds / costs[beside].seconds
        dear |= times > 4
        rows.append(
            [name, f"{cost.seconds / frames * 1e6:.1f}", f"{times:.1f}", f"{cost.grown_bytes / frames:,.0f}"]
        )
    print(
        tabulate(
            rows,
            headers=[f"{frames:,} frames", "µs a frame", "times", "bytes a frame"],
            disable_numparse=True,
        )
    )
    return 1 if dear else 0
