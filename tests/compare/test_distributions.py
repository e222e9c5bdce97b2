"""Probabilities and quantiles, held against SciPy and against published tables."""

from __future__ import annotations

import math

import pytest
from scipy import special, stats

from mbsniff.compare.distributions import beta_share, rate_ratio, share_limits, t_beyond

SIZES = (0.5, 1.0, 3.7, 50.0, 1e4, 3e5)


@pytest.mark.parametrize("a", SIZES)
@pytest.mark.parametrize("b", SIZES)
def test_beta_share_is_that_of_scipy(a: float, b: float) -> None:
    """The regularized incomplete beta function agrees with SciPy's over all sizes."""
    for x in (0.0, 1e-6, 0.01, 0.3, 0.5, 0.9, 0.9999, 1.0, a / (a + b)):
        assert beta_share(a, b, x) == pytest.approx(special.betainc(a, b, x), abs=1e-9)


@pytest.mark.parametrize("freedom", [1, 2, 7, 19, 100, 10_000])
@pytest.mark.parametrize("alpha", [0.5, 0.05, 0.01, 1e-4, 1e-7])
def test_t_is_that_of_scipy(alpha: float, freedom: int) -> None:
    """Student's t, as far out as thousands of figures take it."""
    assert t_beyond(alpha, freedom) == pytest.approx(stats.t.isf(alpha / 2, freedom), rel=1e-9)


@pytest.mark.parametrize(
    ("alpha", "freedom", "t"), [(0.05, 1, 12.706), (0.05, 10, 2.228), (0.01, 19, 2.861), (0.1, 7, 1.895)]
)
def test_t_is_that_of_the_published_table(alpha: float, freedom: int, t: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, to its three decimals."""
    assert t_beyond(alpha, freedom) == pytest.approx(t, abs=5e-4)


@pytest.mark.parametrize(("count", "of"), [(0, 10), (3, 10), (10, 10), (500, 100_000), (81, 263)])
@pytest.mark.parametrize("alpha", [0.1, 0.05, 0.001])
def test_share_limits_are_exact(count: int, of: int, alpha: float) -> None:
    """Clopper and Pearson's limits, as SciPy works them out."""
    found = stats.binomtest(count, of).proportion_ci(1 - alpha, method="exact")
    assert share_limits(count, of - count, alpha) == pytest.approx((found.low, found.high), abs=1e-10)


def test_the_clover_seed_example() -> None:
    """Przyborowski and Wilenski 1940 (in SciPy's poisson_means_test): 0 and 3 seeds in 100 g may be chance.

    Given three seeds, all are in one sample with probability 1/8, so 1/4 for either.
    """
    inside, outside = rate_ratio((0, 100), (3, 100), 0.2499), rate_ratio((0, 100), (3, 100), 0.2501)
    assert inside[0] < 1 < outside[0]
    assert inside[1] == math.inf
    assert stats.poisson_means_test(0, 100, 3, 100).pvalue > 0.05
    assert rate_ratio((0, 100), (3, 100), 0.05)[0] < 1


def test_exposures_count() -> None:
    """Twice as many events in twice the time are the same rate."""
    low, high = rate_ratio((40, 1.0), (80, 2.0), 0.05)
    assert low < 1 < high
    assert math.sqrt(low * high) == pytest.approx(1, abs=0.03)


def test_without_events_anything_may_be() -> None:
    """No events in either recording bound nothing."""
    assert rate_ratio((0, 1), (0, 1), 0.05) == (0.0, math.inf)
