"""Wanted values and grounds to cover, drawn at random, and slow ways to find the best cover."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

import numpy as np
from hypothesis import strategies as st

from mbsniff.plan.cover import Block, Ground, Value

SECOND = 10**9
PERIODS = (SECOND, 5 * SECOND // 4, 2 * SECOND, 3 * SECOND)
Cost = tuple[Fraction, Fraction]


@st.composite
def covers(draw: st.DrawFn, most: int = 6) -> tuple[list[Value], Ground]:
    """A few values close together, a short longest block, some readable and some refused ranges."""
    count = draw(st.integers(1, most))
    values, first = [], 0
    for _ in range(count):
        first += draw(st.integers(0, 4))
        words = draw(st.sampled_from((1, 1, 1, 2)))
        values.append(Value(first, words, draw(st.sampled_from(PERIODS))))
        first += words
    ranges = st.lists(
        st.tuples(st.integers(0, first), st.integers(0, 8)).map(lambda r: (r[0], r[0] + r[1])), max_size=3
    )
    readable = draw(st.one_of(ranges, st.just([(0, first)])))
    return values, Ground(draw(st.integers(2, 10)), joined(readable), tuple(draw(ranges)[:1]))


def joined(ranges: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """The same addresses as ranges that neither touch nor overlap."""
    known = np.zeros(max((last for _, last in ranges), default=0) + 2, bool)
    for first, last in ranges:
        known[first : last + 1] = True
    edges = np.flatnonzero(np.diff(known.astype(int), prepend=0, append=0)).tolist()
    return tuple((first, end - 1) for first, end in zip(edges[::2], edges[1::2], strict=True))


def allowed(values: Sequence[Value], group: Sequence[Value], ground: Ground) -> bool:
    """Whether one block may hold the group: short enough, readable throughout, no refused block within."""
    first, last = min(v.first for v in group), max(v.last for v in group)
    own = {a for v in values for a in range(v.first, v.last + 1)}
    known = own | {a for low, high in ground.readable for a in range(low, high + 1)}
    refused = any(first <= low and high <= last for low, high in ground.refused)
    return last - first < ground.longest and set(range(first, last + 1)) <= known and not refused


def cost_of_group(group: Sequence[Value]) -> Cost:
    """(reads, registers) a second of the block that holds the group."""
    rate = Fraction(SECOND, min(v.period_ns for v in group))
    return rate, rate * (max(v.last for v in group) - min(v.first for v in group) + 1)


def cost(blocks: Sequence[Block]) -> Cost:
    """(reads, registers) a second of blocks."""
    rates = [Fraction(SECOND, block.period_ns) for block in blocks]
    return sum(rates, Fraction()), sum((r * b.count for r, b in zip(rates, blocks, strict=True)), Fraction())


def partitions(values: Sequence[Value]) -> Iterator[list[list[Value]]]:
    """Every way to put the values into groups, of whatever values: their number is the Bell number."""
    if not values:
        yield []
        return
    for rest in partitions(values[1:]):
        yield [[values[0]], *rest]
        for place, group in enumerate(rest):
            yield [*rest[:place], [values[0], *group], *rest[place + 1 :]]


def best_by_trying_all(values: Sequence[Value], ground: Ground) -> Cost | None:
    """The least cost over all partitions into allowed groups; None where there is none."""
    costs = [
        (sum((c[0] for c in each), Fraction()), sum((c[1] for c in each), Fraction()))
        for groups in partitions(values)
        if all(allowed(values, group, ground) for group in groups)
        for each in [[cost_of_group(group) for group in groups]]
    ]
    return min(costs, default=None)
