"""The part ``artefacts``: what copies and segments out of order cost, a frame, against a clean capture."""

from __future__ import annotations

from functools import partial
from statistics import median

from tests.benchmarks.bench import Bench, say
from tests.benchmarks.disturb import Disturbance
from tests.benchmarks.figures import Figure
from tests.benchmarks.parts import MB, NS_PER_S, TIMES
from tests.benchmarks.runs import RunError, interleaved, median_s

LATE = 0.05
GOAL = 2.0
DISTURBANCES: dict[str, tuple[Disturbance, float | None]] = {
    "every frame doubled": (Disturbance(double=True), None),
    "5 % of the segments late": (Disturbance(late=LATE), None),
    "doubled and 5 % late": (Disturbance(double=True, late=LATE), GOAL),
}


def artefacts(bench: Bench) -> list[Figure]:
    """Cost of a recorded frame beyond a small capture's run: clean, and disturbed in three ways."""
    if bench.size_bytes < 20 * MB:
        raise RunError("artefacts are not to be told from captures of less than 20 MB")
    small, clean = bench.capture(10 * MB), bench.capture(bench.size_bytes)
    captures = [clean, *(bench.disturbed(clean, how) for how, _ in DISTURBANCES.values())]
    say(f"artefacts: {bench.pairs} rounds")
    start, *runs = interleaved(bench.pairs, *(partial(bench.mbsniff, made) for made in (small, *captures)))
    for made in captures[1:]:
        bench.forget(made)
    start_s = median_s(start)
    costs = [
        [NS_PER_S * (run.wall_s - start_s) / made.frames for run in each]
        for made, each in zip(captures, runs, strict=True)
    ]
    if min(costs[0]) <= 0:
        raise RunError("the clean capture took no longer than the small one: use a larger --size")
    figures = [Figure("a frame, clean", median(costs[0]), "ns", note=f"{clean.frames:,} frames")]
    for (name, (_, goal)), made, cost in zip(DISTURBANCES.items(), captures[1:], costs[1:], strict=True):
        ratio = median(ours / plain for ours, plain in zip(cost, costs[0], strict=True))
        figures.append(Figure(f"a frame, {name}", median(cost), "ns", note=f"{made.frames:,} frames"))
        figures.append(Figure(f"{name}, ratio", ratio, TIMES, goal))
    return figures
