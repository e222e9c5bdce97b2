"""The parts of the benchmark: each takes the bench and gives figures."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from statistics import median

from tests.benchmarks.bench import Bench, say
from tests.benchmarks.figures import Figure, failed
from tests.benchmarks.generator import Generated
from tests.benchmarks.memory import can_measure
from tests.benchmarks.runs import Run, RunError, interleaved, median_s, run
from tests.benchmarks.shape import Shape

NS_PER_S = 1e9
MB = 1_000_000
TIMES = "times"
LONG_S = 10  # a run that takes longer is not repeated
PEERS = {"dpkt": (200_000, 100), "scapy": (5_000, 1_000)}  # frames decoded, times slower than mbsniff
GROWTH = {5_000: 2, 50_000: 8}  # connections, times the cost of a frame


def slope(bench: Bench) -> list[Figure]:
    """Cost of one more frame: the difference between two sizes, over that of their frames."""
    small, large = bench.capture(bench.size_bytes), bench.capture(4 * bench.size_bytes)
    say(f"slope: {bench.pairs} rounds")
    programs = [partial(f, made) for f in (bench.mbsniff, bench.stepping) for made in (small, large)]
    runs = interleaved(bench.pairs, *programs)
    bench.forget(large)
    frames = large.frames - small.frames

    def slopes(cost: Callable[[Run], float], first: int) -> list[float]:
        pairs = zip(runs[first], runs[first + 1], strict=True)
        return [NS_PER_S * (cost(more) - cost(less)) / frames for less, more in pairs]

    wall = [slopes(lambda r: r.wall_s, first) for first in (0, 2)]
    processor = [slopes(lambda r: r.processor_s, first) for first in (0, 2)]
    return [
        Figure("one more frame, mbsniff", median(wall[0]), "ns"),
        Figure("one more frame, C capture library", median(wall[1]), "ns"),
        Figure(
            "one more frame, ratio",
            _ratio(wall),
            TIMES,
            1.5,
            note=f"{bench.size_bytes / MB:,.0f} MB to four times that",
        ),
        Figure("one more frame, ratio of processor time", _ratio(processor), TIMES),
    ]


def _ratio(lists: list[list[float]]) -> float:
    """Median of the rounds' ratios; infinite where the yardstick cost nothing measurable."""
    return median(a / b if b > 0 else float("inf") for a, b in zip(*lists, strict=True))


def whole(bench: Bench) -> list[Figure]:
    """The whole process, from start to exit, against the C capture library."""
    made = bench.capture(2 * bench.size_bytes)
    say(f"whole process: {bench.pairs} pairs")
    ours, theirs = interleaved(bench.pairs, partial(bench.mbsniff, made), partial(bench.stepping, made))
    wall = [[r.wall_s for r in runs] for runs in (ours, theirs)]
    processor = [[r.processor_s for r in runs] for runs in (ours, theirs)]
    note = f"{made.size_bytes / MB:,.0f} MB, {made.frames:,} frames"
    return [
        Figure("whole process, mbsniff", median_s(ours), "s", note=note),
        Figure("whole process, C capture library", median_s(theirs), "s"),
        Figure("whole process, ratio", _ratio(wall), TIMES, 2.0),
        Figure("whole process, ratio of processor time", _ratio(processor), TIMES),
    ]


def peers(bench: Bench) -> list[Figure]:
    """Decoding the first frames with Python libraries, against mbsniff's whole process on all of them."""
    made = bench.capture(bench.size_bytes)
    say("peers: dpkt and scapy")
    ours_ns = NS_PER_S * median_s([bench.mbsniff(made) for _ in range(3)]) / made.frames
    figures = [Figure("a frame, mbsniff's whole process", ours_ns, "ns", note=f"{made.frames:,} frames")]
    for library, (count, goal) in PEERS.items():
        command = [sys.executable, "-m", "tests.benchmarks.peers", library, str(made.path), str(count)]
        theirs_ns = median(float(run(command, bench.cores).output) for _ in range(3))
        note = f"first {min(count, made.frames):,} frames"
        figures.append(Figure(f"a frame, {library}", theirs_ns, "ns", note=note))
        figures.append(Figure(f"faster than {library}", theirs_ns / ours_ns, TIMES, goal, at_least=True))
    return figures


def memory(bench: Bench) -> list[Figure]:
    """Peak of the proportional set size, summed over the process tree."""
    if not can_measure():
        raise RunError("this system has no /proc/PID/smaps_rollup")
    made = bench.capture(2 * bench.size_bytes)
    say("memory")
    result = bench.mbsniff(made, watch_memory=True)
    goal = 300 * MB + max(0.15 * made.size_bytes, 45 * made.transactions)
    note = f"{made.size_bytes / MB:,.0f} MB, {made.transactions:,} transactions"
    return [
        Figure(
            "peak proportional set size, all processes", result.pss_bytes / MB, "MB", goal / MB, note=note
        ),
        Figure("peak resident set, largest process", result.resident_bytes / MB, "MB"),
    ]


def startup(bench: Bench) -> list[Figure]:
    """What has to happen before the first frame: imports, loading or making machine code."""
    usual, short = bench.capture(10 * MB), bench.capture(1_850_000)
    if short.frames >= 20_000:
        raise RunError(f"{short.frames:,} frames are too many for an uncompiled run")
    say("start-up")
    return [
        Figure("help page", median_s([bench.helping() for _ in range(bench.pairs)]), "s", 0.2),
        Figure("10 MB, loops compiled",
               median_s([bench.mbsniff(usual) for _ in range(bench.pairs)]), "s", 1.5),
        Figure(f"{short.frames:,} frames, never compiled before",
               _uncached_s(bench, short), "s", 3.0),
        Figure("10 MB, compiling first", _uncached_s(bench, usual), "s", 40.0),
    ]  # fmt: skip


def _uncached_s(bench: Bench, made: Generated) -> float:
    """Median of up to three runs, each with an empty cache of machine code; one where it takes long."""
    runs: list[Run] = []
    while not runs or (len(runs) < min(3, bench.pairs) and runs[0].wall_s < LONG_S):
        with tempfile.TemporaryDirectory(dir=bench.folder) as empty:
            runs.append(bench.mbsniff(made, {"MBSNIFF_CACHE": empty}))
    return median_s(runs)


def growth(bench: Bench) -> list[Figure]:
    """Cost of a frame beyond a small capture's run, with many connections met in random order."""
    if bench.size_bytes < 20 * MB:
        raise RunError("growth is not to be told from captures of less than 20 MB")
    start_s = median_s([bench.mbsniff(bench.capture(10 * MB)) for _ in range(3)])
    plain_ns = _cost_ns(bench, bench.shape, start_s)
    figures = [Figure(f"a frame, {bench.shape.connections:,} connections", plain_ns, "ns")]
    for connections, goal in GROWTH.items():
        shape = replace(bench.shape, devices=connections // bench.shape.masters, random_order=True)
        try:
            cost_ns = _cost_ns(bench, shape, start_s)
        except RunError as error:
            figures.append(failed(f"{connections:,} connections, ratio", error))
            continue
        figures.append(Figure(f"a frame, {connections:,} connections", cost_ns, "ns"))
        figures.append(Figure(f"{connections:,} connections, ratio", cost_ns / plain_ns, TIMES, goal))
    return figures


def _cost_ns(bench: Bench, shape: Shape, start_s: float) -> float:
    made = bench.capture(bench.size_bytes, shape)
    say(f"growth: {shape.connections:,} connections")
    wall_s = median_s([bench.mbsniff(made) for _ in range(min(3, bench.pairs))])
    if shape is not bench.shape:
        bench.forget(made)
    if wall_s <= start_s:
        raise RunError(
            f"{shape.connections:,} connections took no longer than the small capture: use a larger --size"
        )
    return NS_PER_S * (wall_s - start_s) / made.frames
