"""Intervals of changes: against SciPy, and whether they hold what they should, by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from mbsniff.compare.intervals import Events, Mean, Rank, difference, ratio
from tests.compare.made import S, drawn, recorded


def test_means_are_combined_as_errors_add() -> None:
    """With equal, large degrees of freedom: the change ± z √(a² + b²)."""
    low, high = difference(Mean(10, 3, 10**6), Mean(15, 4, 10**6), 0.05)
    assert (low, high) == pytest.approx((5 - 1.959964 * 5, 5 + 1.959964 * 5), rel=1e-4)


def test_a_quantile_of_independent_lengths() -> None:
    """Ranks at the ends are, but for a rank or two, those of the binomial interval (SciPy's quantile_test)."""
    lengths = np.arange(1000, dtype=np.int64)
    low, high = Rank(lengths, 0.5, 0.0, 10**6).interval(0.05)
    exact = stats.quantile_test(lengths, p=0.5).confidence_interval(0.95)
    assert low == pytest.approx(exact.low, abs=2)
    assert high == pytest.approx(exact.high, abs=2)


def test_too_few_for_a_high_quantile() -> None:
    """100 lengths do not bound their 99th percentile from above: 0.99^100 is 37 %."""
    low, high = Rank(np.arange(100, dtype=np.int64), 0.99, 0.0, 10**6).interval(0.05)
    assert low < 98
    assert high == math.inf


def test_bunches_count_as_one() -> None:
    """Twenty events in one bunch say less than twenty single ones."""
    single = ratio(Events(0, 1), Events(20, 1, 1.0, 19), 0.05)
    bunch = ratio(Events(0, 1), Events(20, 1, 20.0, 19), 0.05)
    assert single[0] > 1 > bunch[0]


def hits(requests: int, phi: float, alpha: float, runs: int, key: str) -> float:
    """How often the interval holds the true change: the reply time's median of 6 ms becomes 7.8 ms."""
    rng = np.random.default_rng(11)
    truth = {"reply_median": 0.3 * 6e6, "requests_per_s": 0.0}[key]
    held = 0
    for _ in range(runs):
        block_ns = requests * S // 20
        one, other = (recorded(drawn(rng, requests, phi=phi, slower=x), block_ns) for x in (1.0, 1.3))
        before, after = (r.measured(requests * S)[key].side for r in (one, other))
        assert before is not None and after is not None
        assert not isinstance(before, Events) and not isinstance(after, Events)
        low, high = difference(before, after, alpha)
        held += low <= truth <= high
    return held / runs


@pytest.mark.parametrize(
    ("requests", "phi", "least"), [(200, 0.0, 0.93), (1000, 0.9, 0.92), (1000, 0.97, 0.85)]
)
def test_intervals_hold_the_true_change(requests: int, phi: float, least: float) -> None:
    """About 95 of 100 intervals of the median hold it, however the reply times hang together.

    The last case hangs together over two thirds of a block, where too little is independent to promise more.
    """
    assert hits(requests, phi, 0.05, 200, "reply_median") >= least
