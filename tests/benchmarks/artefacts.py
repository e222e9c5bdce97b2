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
    """Cost of a recorded frame beyond the run of a small capture of its kind: clean, and disturbed in three ways."""
    if bench.size_bytes < 2 * SMALL_BYTES:
        raise RunError("artefacts are not to be told from captures of less than 20 MB")
    clean = [bench.capture(size) for size in (SMALL_BYTES, bench.size_bytes)]
    kinds = [clean, *([bench.disturbed(made, how) for made in clean] for how, _ in DISTURBANCES.values())]
    say(f"artefacts: {bench.pairs} rounds")
    runs = interleaved(bench.pairs, *(partial(bench.mbsniff, made) for kind in kinds for made in kind))
    for kind in kinds[1:]:
        for made in kind:
            bench.forget(made)
    wall, processor = (_costs_ns(kinds, runs, cost) for cost in (lambda r: r.wall_s, lambda r: r.processor_s))
    figures = [Figure("a frame, clean", median(wall[0]), "ns", note=f"{clean[1].frames:,} frames")]
    for number, (name, (_, goal)) in enumerate(DISTURBANCES.items(), start=1):
        note = f"{kinds[number][1].frames:,} frames"
        figures += [
            Figure(f"a frame, {name}", median(wall[number]), "ns", note=note),
            Figure(f"{name}, ratio", _ratio(wall[number], wall[0]), TIMES, goal),
            Figure(f"{name}, ratio of processor time", _ratio(processor[number], processor[0]), TIMES),
        ]
    return figures


def _costs_ns(
    kinds: list[list[Generated]], runs: list[list[Run]], cost: Callable[[Run], float]
) -> list[list[float]]:
    """Of each kind, each round's cost of one more frame; its small capture's runs stand before the large one's."""
    costs = []
    for (small, large), less, more in zip(kinds, runs[0::2], runs[1::2], strict=True):
        frames = large.frames - small.frames
        costs.append([NS_PER_S * (cost(b) - cost(a)) / frames for a, b in zip(less, more, strict=True)])
    return costs


def _ratio(disturbed: list[float], clean: list[float]) -> float:
    """Median of the rounds' ratios."""
    if min(clean) <= 0:
        raise RunError("the clean capture took no longer than the small one: use a larger --size")
    return median(a / b for a, b in zip(disturbed, clean, strict=True))
