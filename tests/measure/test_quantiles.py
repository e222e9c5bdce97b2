"""Nearest ranks against their definition and against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure.quantiles import LEAST_COUNTED, median, quantiles, rank

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
@pytest.mark.parametrize("count", [LEAST_COUNTED, 50_000])
def test_many_by_counting(spread: int, outlier: int, count: int) -> None:
    """Counting first gives what sorting gives, whether the lengths crowd together or one lies far out."""
    lengths = np.random.default_rng(count).integers(0, spread, count)
    lengths[count // 2] = outlier
    found = quantiles(lengths.copy(), compiled=True)
    assert found == quantiles(lengths, compiled=False)
    assert found is not None and found.p99 == np.sort(lengths)[rank(99, count)]


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
