"""A tally in, text out: a progress line, how deep each kind of mutation got, what went wrong."""

from __future__ import annotations

from collections import Counter

from tabulate import tabulate

from tests.fuzz.checks import DEPTHS
from tests.fuzz.runs import Tally

_MOST_NUMBERS = 8


def line(tally: Tally, seconds: float) -> str:
    """How far a run is."""
    rate = tally.cases / max(seconds, 1e-9)
    return f"{tally.cases:,} cases in {seconds:,.0f} s ({rate:,.0f} a second), {len(tally.failures)} failed"


def figures(tally: Tally, seconds: float, jobs: int) -> str:
    """One line of what a run came to: cases, disagreements, the slowest case, memory, cases a second."""
    differ = sum("differ" in trouble.kind for trouble in tally.failures.values())
    rate, processor_ms = tally.cases / max(seconds, 1e-9), 1000 * tally.processor_s / max(tally.cases, 1)
    slowest_s, slowest = tally.slowest
    peak, rise = (size / (1 << 20) for size in tally.memory_bytes)
    return (
        f"{tally.cases:,} cases in {seconds:,.0f} s by {jobs} processes: {rate:,.0f} a second,"
        f" {processor_ms:.2f} ms of a processor each; {len(tally.failures):,} failed,"
        f" of them {differ:,} disagreements; slowest case {slowest_s:.2f} s (number {slowest});"
        f" peak memory {peak:,.0f} MB, {rise:,.1f} MB above where a worker began"
    )


def summary(tally: Tally, each: bool = False) -> str:
    """A table: for every layer, or every single mutation, how many cases it was in and which depth they reached."""
    rows: dict[str, Counter[int]] = {}
    for (what, depth), count in tally.reached.items():
        rows.setdefault(what if each else what.partition(":")[0], Counter())[depth] += count
    ordered = sorted(rows.items(), key=lambda row: -row[1].total())
    table = [_row(name, depths) for name, depths in [*ordered, ("all cases", tally.depths)]]
    heads = ["mutated" if each else "mutations of", "in cases", *DEPTHS]
    note = (
        ""
        if each
        else "A case with several mutations of a layer counts once for each; depths are shares of these, %.\n"
    )
    return note + tabulate(
        table, headers=heads, disable_numparse=True, colalign=["left", *["right"] * (len(heads) - 1)]
    )


def _row(name: str, depths: Counter[int]) -> list[str]:
    total = depths.total() or 1
    shares = [f"{100 * depths[depth] / total:.0f}" if depths[depth] else "" for depth in range(len(DEPTHS))]
    return [name, f"{depths.total():,}", *shares]


def failures(tally: Tally, seed: int, bounds: bool = False) -> str:
    """What went wrong, by kind, with the commands that show it again."""
    if not tally.failures:
        return f"{tally.cases:,} cases, no failure"
    kinds: dict[str, list[int]] = {}
    for number, trouble in sorted(tally.failures.items()):
        kinds.setdefault(trouble.kind, []).append(number)
    texts = [f"{len(tally.failures):,} of {tally.cases:,} cases failed"]
    for kind, numbers in sorted(kinds.items(), key=lambda item: -len(item[1])):
        flag = " --bounds" if bounds else ""
        others = f" (also {', '.join(map(str, numbers[1:_MOST_NUMBERS]))})" if len(numbers) > 1 else ""
        texts.append(f"{len(numbers):,} times: {kind}{others}")
        texts.append(f"    python -m tests.fuzz replay {seed} {numbers[0]}{flag}")
    return "\n".join(texts)
