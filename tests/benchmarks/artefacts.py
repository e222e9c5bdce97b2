"""The part ``artefacts``: what copies and late segments cost, a frame, against a clean capture."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from statistics import median

from tests.benchmarks.bench import Bench, say
from tests.benchmarks.disturb import Disturbance
from tests.benchmarks.figures import Figure
from tests.benchmarks.generator import Generated
from tests.benchmarks.parts import MB, NS_PER_S, TIMES
from tests.benchmarks.runs import Run, RunError, interleaved

LATE = 0.05
SMALL_BYTES = 10 * MB
GOAL = 2.0
DISTURBANCES: dict[str, tuple[Disturbance, float | None]] = {
    "every frame doubled": (Disturbance(double=True), None),
    "5 % of the segments late": (Disturbance(late=LATE), None),
    "doubled and 5 % late": (Disturbance(double=True, late=LATE), GOAL),
}


def artefacts(bench: Bench) -> list[Figure]:
    """Cost of a recorded frame beyond a small clean capture's run: clean, and disturbed in three ways."""
    if bench.size_bytes < 2 * SMALL_BYTES:
        raise RunError("artefacts are not to be told from captures of less than 20 MB")
    small, clean = bench.capture(SMALL_BYTES), bench.capture(bench.size_bytes)
    captures = [clean, *(bench.disturbed(clean, how) for how, _ in DISTURBANCES.values())]
    say(f"artefacts: {bench.pairs} rounds")
    start, *runs = interleaved(bench.pairs, *(partial(bench.mbsniff, made) for made in (small, *captures)))
    for made in captures[1:]:
        bench.forget(made)
    wall, processor = (
        _costs_ns(captures, runs, start, cost) for cost in (lambda r: r.wall_s, lambda r: r.processor_s)
    )
    figures = [Figure("a frame, clean", median(wall[0]), "ns", note=f"{clean.frames:,} frames")]
    for number, (name, (_, goal)) in enumerate(DISTURBANCES.items(), start=1):
        note = f"{captures[number].frames:,} frames"
        figures += [
            Figure(f"a frame, {name}", median(wall[number]), "ns", note=note),
            Figure(f"{name}, ratio", _ratio(wall[number], wall[0]), TIMES, goal),
            Figure(f"{name}, ratio of processor time", _ratio(processor[number], processor[0]), TIMES),
        ]
    return figures


def _costs_ns(
    captures: list[Generated], runs: list[list[Run]], start: list[Run], cost: Callable[[Run], float]
) -> list[list[float]]:
    """Of each capture, each round's cost of a frame; what starting costs is the median of all rounds."""
    start_s = median(map(cost, start))
    return [
        [NS_PER_S * (cost(run) - start_s) / made.frames for run in each]
        for made, each in zip(captures, runs, strict=True)
    ]


def _ratio(disturbed: list[float], clean: list[float]) -> float:
    """Median of the rounds' ratios."""
    if min(clean) <= 0:
        raise RunError("the clean capture took no longer than the small one: use a larger --size")
    return median(a / b for a, b in zip(disturbed, clean, strict=True))
