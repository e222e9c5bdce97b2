"""The exact minimum cover, held against trying all, an integer program, a textbook's greedy choice, the standard."""

from __future__ import annotations

import math
from fractions import Fraction
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.optimize import Bounds, LinearConstraint, milp

from mbsniff.plan.cover import Ground, Value, cover, join
from tests.plan.cases import (
    PERIODS,
    SECOND,
    Cost,
    allowed,
    best_by_trying_all,
    cost,
    cost_of_group,
    covers,
    joined,
)

FREE = ((0, 65_535),)


def wanted(*addresses: int, period_ns: int = SECOND) -> list[Value]:
    return [Value(address, 1, period_ns) for address in addresses]


def spans(values: list[Value], ground: Ground) -> list[tuple[int, int]]:
    return [(block.first, block.last) for block in cover(values, ground)[0]]


@settings(max_examples=400, deadline=None)
@given(covers())
def test_nothing_is_cheaper_than_the_cover_among_all_ways_to_group_the_values(
    case: tuple[list[Value], Ground],
) -> None:
    """Over every partition of the values, neighbours or not, no allowed one has fewer reads, or registers, a second."""
    values, ground = case
    blocks, alone = cover(values, ground)
    fit = [value for value in values if value not in alone]
    assert all(not allowed(values, [value], ground) for value in alone)
    assert cost(blocks) == (best_by_trying_all(fit, ground) if fit else (0, 0))


@settings(max_examples=200, deadline=None)
@given(covers(most=12))
def test_every_value_is_whole_in_a_block_that_comes_often_enough_and_may_be_read(
    case: tuple[list[Value], Ground],
) -> None:
    """Each block keeps to the ground, and each value lies in one that is polled at least as often as it is wanted."""
    values, ground = case
    blocks, alone = cover(values, ground)
    for value in set(values) - set(alone):
        assert any(
            b.first <= value.first and value.last <= b.last and b.period_ns <= value.period_ns for b in blocks
        )
    for block in blocks:
        assert allowed(values, [Value(block.first, block.count, SECOND)], ground)


def least_by_integer_program(values: list[Value], ground: Ground) -> Cost:
    """Reads first, then registers, over all blocks from one value to another at any wanted period (SciPy's milp)."""
    periods = sorted({v.period_ns for v in values})
    blocks = [
        (i, j, period)
        for i in range(len(values))
        for j in range(i, len(values))
        if allowed(values, values[i : j + 1], ground)
        for period in periods
    ]
    common = math.lcm(*periods)
    reads = np.array([common // period for _, _, period in blocks], float)
    registers = reads * [values[j].last - values[i].first + 1 for i, j, _ in blocks]
    gives = np.array(
        [
            [i <= n <= j and period <= value.period_ns for i, j, period in blocks]
            for n, value in enumerate(values)
        ],
        float,
    )
    each_once = LinearConstraint(gives, lb=1)
    whole = {"integrality": np.ones(len(blocks)), "bounds": Bounds(0, 1)}
    first = milp(reads, constraints=each_once, **whole)
    assert first.success
    fewest = round(first.fun)
    second = milp(registers, constraints=[each_once, LinearConstraint(reads[None, :], ub=fewest)], **whole)
    assert second.success
    return Fraction(fewest * SECOND, common), Fraction(round(second.fun) * SECOND, common)


@pytest.mark.parametrize("seed", range(12))
def test_equals_the_integer_program_on_longer_lists(seed: int) -> None:
    """On 45 values with gaps, values of 32 bits and four periods, the mixed-integer program finds nothing better."""
    random = Random(seed)
    values, first = [], 0
    for _ in range(45):
        first += random.choice((0, 0, 0, 1, 2, 7))
        words = random.choice((1, 1, 2))
        values.append(Value(first, words, random.choice(PERIODS)))
        first += words
    gaps = [(a, a + random.randrange(12)) for a in random.sample(range(first), 9)]
    ground = Ground(random.choice((6, 10, 16)), joined(gaps))
    blocks, alone = cover(values, ground)
    assert alone == []
    assert cost(blocks) == least_by_integer_program(values, ground)


@pytest.mark.parametrize("seed", range(30))
def test_equals_the_textbooks_greedy_choice_where_nothing_forbids_bridging(seed: int) -> None:
    """Cormen, Leiserson, Rivest, Stein, Introduction to Algorithms, 3rd edition, exercise 16.2-5.

    The fewest intervals of a given length that contain all given points: begin one at the leftmost point
    that is in none yet.
    """
    random = Random(seed)
    points = sorted(random.sample(range(1000), 120))
    greedy, end = 0, -1
    for point in points:
        if point > end:
            greedy, end = greedy + 1, point + 15
    assert len(cover(wanted(*points), Ground(16, FREE))[0]) == greedy


def test_among_as_few_reads_the_fewest_registers() -> None:
    """Two blocks are needed either way; the one that bridges 3 to 8 is not the one chosen."""
    assert spans(wanted(0, 1, 2, 9, 10), Ground(10, FREE)) == [(0, 2), (9, 10)]


def test_bridges_only_what_is_known_to_be_readable() -> None:
    """One read over the gap where it was declared or seen readable, two where anything of it is not."""
    assert spans(wanted(0, 5), Ground(16, ((1, 4),))) == [(0, 5)]
    assert spans(wanted(0, 5), Ground(16, ((1, 2), (4, 4)))) == [(0, 0), (5, 5)]
    assert spans(wanted(0, 5), Ground(16)) == [(0, 0), (5, 5)]


def test_a_value_of_32_bits_is_never_divided() -> None:
    """Blocks of 3 could take 0-2 and 3-5, but the values at 2-3 must stay together."""
    values = [Value(0, 2, SECOND), Value(2, 2, SECOND), Value(4, 2, SECOND)]
    assert spans(values, Ground(3)) == [(0, 1), (2, 3), (4, 5)]
    assert cover([Value(0, 2, SECOND)], Ground(1)) == ([], [Value(0, 2, SECOND)])


def test_the_standards_block_across_the_end_is_not_planned_again() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7: five registers from 96 cross the end at 99."""
    ground = Ground(125, FREE, ((96, 100),))
    assert spans(wanted(*range(96, 100)), ground) == [(96, 99)]
    assert spans(wanted(*range(96, 101)), ground) == [(96, 99), (100, 100)]


def test_slow_values_ride_along_where_that_costs_no_read() -> None:
    """One fast block that takes a slow neighbour along is one read fewer; a far one gets a slow read of its own."""
    fast, slow = Value(0, 1, SECOND), Value(3, 1, 10 * SECOND)
    assert [(b.count, b.period_ns, b.wanted) for b in cover([fast, slow], Ground(16, FREE))[0]] == [
        (4, SECOND, 2)
    ]
    blocks = cover([fast, Value(40, 1, 10 * SECOND)], Ground(16, FREE))[0]
    assert [(b.first, b.period_ns) for b in blocks] == [(0, SECOND), (40, 10 * SECOND)]


def test_values_that_share_an_address_are_one() -> None:
    """A register wanted by itself and as half of a 32-bit value is read once, at the shorter period."""
    assert join([Value(4, 2, 5 * SECOND), Value(5, 1, SECOND), Value(6, 1, SECOND)]) == [
        Value(4, 2, SECOND),
        Value(6, 1, SECOND),
    ]


def test_rates_of_groups_are_compared_exactly() -> None:
    """Periods that differ by a nanosecond are told apart: the cover takes the slower of two equal shapes."""
    values = [Value(0, 1, SECOND), Value(1, 1, SECOND + 1), Value(2, 1, SECOND + 1)]
    blocks = cover(values, Ground(2))[0]
    assert [(b.first, b.last) for b in blocks] == [(0, 0), (1, 2)]
    assert cost(blocks)[0] == cost_of_group(values[:1])[0] + cost_of_group(values[1:])[0]
