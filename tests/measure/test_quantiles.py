"""Nearest ranks against their definition and against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure.quantiles import (
    LEAST_COUNTED,
    MOST_BUCKETS,
    MOST_SORTED,
    N_END,
    NARROW_COLUMNS,
    PERCENTS,
    median,
    narrow,
    quantiles,
    quantiles_apart,
    rank,
)

VALUES = st.lists(st.integers(0, 2**62), min_size=1, max_size=300)


@pytest.mark.parametrize(
    ("percent", "count", "expected"),
    [
        (50, 1, 1),
        (50, 2, 1),
        (50, 3, 2),
        (95, 20, 19),
        (95, 21, 20),
        (99, 100, 99),
        (99, 101, 100),
        (5, 10, 1),
        (100, 7, 7),
    ],
)
def test_rank(percent: int, count: int, expected: int) -> None:
    """The ⌈p·n⌉-th smallest of n, exact for percentages that have no exact binary fraction."""
    assert rank(percent, count) == expected - 1


@given(VALUES)
def test_against_numpy(values: list[int]) -> None:
    """Type 1 of Hyndman and Fan, "Sample Quantiles in Statistical Packages" (1996): numpy's inverted_cdf."""
    found = quantiles(np.array(values, np.int64), compiled=False)
    assert found is not None
    expected = [int(np.percentile(values, p, method="inverted_cdf")) for p in (5, 50, 95, 99, 100)]
    assert [found.p5, found.median, found.p95, found.p99, found.max] == expected
    assert found.count == len(values)


@pytest.mark.parametrize("spread", [1, 3, 40_000, 10**9, 2**62])
@pytest.mark.parametrize("outlier", [0, 2**62])
@pytest.mark.parametrize("count", [LEAST_COUNTED - 1, LEAST_COUNTED, 50_000])
def test_many_by_counting(spread: int, outlier: int, count: int) -> None:
    """Counting first gives what sorting gives, whether the lengths crowd together or one lies far out."""
    lengths = np.random.default_rng(count).integers(0, spread, count)
    lengths[count // 2] = outlier
    found = quantiles(lengths.copy(), compiled=True)
    assert found == quantiles(lengths, compiled=False)
    assert found is not None and found.p99 == np.sort(lengths)[rank(99, count)]


@given(st.lists(VALUES, min_size=1, max_size=4), st.integers(0, 40))
def test_narrowed(parts: list[list[int]], gap: int) -> None:
    """What is left of each stretch has the wanted ranks' lengths at the places told; both ways of running agree."""
    lengths = np.concatenate([np.array([0] * gap + part, np.int64) for part in parts])
    ends = np.cumsum([gap + len(part) for part in parts]).tolist()
    table = np.array(
        [
            [end - len(part), end, *(rank(percent, len(part)) for percent in PERCENTS)]
            for part, end in zip(parts, ends, strict=True)
        ],
        np.int64,
    )
    assert table.shape[1] == NARROW_COLUMNS
    told = [table.copy(), table.copy()]
    rooms = [np.full_like(lengths, -1), lengths.copy()]
    left = [
        narrow(lengths, told[0], np.empty(MOST_BUCKETS, np.int64), rooms[0], compiled=True),
        narrow(rooms[1], told[1], np.empty(MOST_BUCKETS, np.int64), rooms[1], compiled=False),
    ]
    assert left[0] == left[1] == told[0][-1, N_END]
    assert np.array_equal(told[0], told[1])
    assert np.array_equal(rooms[0][: left[0]], rooms[1][: left[1]])
    for part, (begin, end, *places) in zip(parts, told[0].tolist(), strict=True):
        kept, whole = np.sort(rooms[0][begin:end]), np.sort(part)
        assert kept[places].tolist() == [whole[rank(percent, len(part))] for percent in PERCENTS]


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize("count", [1, MOST_SORTED, MOST_SORTED + 1, LEAST_COUNTED, 9_000])
def test_stretches_apart(count: int, compiled: bool) -> None:
    """Each stretch has its own ranks, empty ones have none, and what lies between stretches counts nowhere."""
    lengths = np.random.default_rng(count).permutation(3 * count + 2)
    stretches = [(0, count), (count, count), (count + 1, 2 * count + 1), (2 * count + 2, 3 * count + 2)]
    expected = [quantiles(lengths[begin:end].copy(), compiled=False) for begin, end in stretches]
    given = lengths.copy()
    found = quantiles_apart(given, stretches, np.empty_like(lengths), compiled=compiled)
    assert found == expected
    assert [q is None for q in found] == [False, True, False, False]
    for begin, end in stretches:
        assert np.array_equal(np.sort(given[begin:end]), np.sort(lengths[begin:end]))


@given(VALUES)
def test_median(values: list[int]) -> None:
    """At least half of the values are no greater, and at least half no smaller, than the median."""
    found = median(np.array(values, np.int64))
    assert found in values
    assert 2 * sum(v <= found for v in values) >= len(values) <= 2 * sum(v >= found for v in values)


def test_of_nothing() -> None:
    """Nothing has no quantiles."""
    empty = np.zeros(0, np.int64)
    assert (quantiles(empty, compiled=False), median(empty)) == (None, None)
