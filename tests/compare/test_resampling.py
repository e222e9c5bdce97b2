"""The block bootstrap, held against SciPy's bootstrap and against what is known of autoregressive series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from mbsniff.compare.resampling import LEAST_DRAWS, Draws, draws, standard_errors
from tests.compare.made import correlated


def error_of_mean(values: np.ndarray, how: Draws) -> float:  # type: ignore[type-arg]
    column = values[:, None].astype(float)
    return float(standard_errors(column, np.ones_like(column), how)[0])


def test_independent_blocks_are_as_scipy_resamples_them() -> None:
    """With draws of one block each, the standard error is that of SciPy's bootstrap, but for the widening."""
    values = np.random.default_rng(3).exponential(size=400)
    found = stats.bootstrap(
        (values,), np.mean, n_resamples=4000, rng=np.random.default_rng(4), method="basic"
    )
    ours = error_of_mean(values, draws(400))
    assert ours == pytest.approx(found.standard_error, rel=0.25)
    assert ours > 0.9 * values.std() / 20
    twenty = values[:20]
    plain = twenty.std(ddof=1) / math.sqrt(20)
    assert 0.95 * plain < error_of_mean(twenty, draws(20)) < 1.6 * plain


def test_ratios_are_resampled_as_ratios() -> None:
    """Numerator and denominator are drawn together: a constant ratio has no error, however both vary."""
    weights = np.random.default_rng(5).integers(1, 9, (60, 1)).astype(float)
    assert standard_errors(3 * weights, weights, draws(60))[0] == pytest.approx(0, abs=1e-12)


def test_autocorrelation_widens() -> None:
    """The mean of an autoregressive series varies √((1 + φ) ÷ (1 − φ)) times as much (any textbook on series)."""
    rng = np.random.default_rng(6)
    errors = [error_of_mean(correlated(rng, 2000, 0.9), draws(2000)) for _ in range(60)]
    known = math.sqrt(1.9 / 0.1 / 2000)
    assert np.mean(errors) == pytest.approx(known, rel=0.15)
    assert np.mean(errors) > 3 / math.sqrt(2000)


def test_blocks_without_weight_are_left_out() -> None:
    """A block in which nothing was measured neither counts nor fails; without any there is no error."""
    sums, weights = np.zeros((30, 2)), np.zeros((30, 2))
    weights[::2, 0] = 1
    sums[::2, 0] = np.arange(15)
    first, second = standard_errors(sums, weights, draws(30))
    assert first > 0
    assert math.isnan(second)


@pytest.mark.parametrize("blocks", [1, 7, 8, 19, 20, 21, 79, 80, 161, 5000, 50_000])
def test_about_twenty_draws_whatever_the_length(blocks: int) -> None:
    """From 8 blocks on there are 8 to 20 stretches, of a twentieth of the recording each."""
    how = draws(blocks)
    assert how.units * how.blocks_a_unit <= blocks
    assert how.units < 160
    assert how.units // how.size <= 20
    assert how.enough == (how.units // how.size >= LEAST_DRAWS)
    if blocks >= 20:
        assert how.units // how.size >= 10


def test_what_reaches_far_is_drawn_in_longer_stretches() -> None:
    """A value that reaches over three blocks is drawn with at least three."""
    assert draws(40, 3).size == 3
    assert draws(11, 2).enough is False


def test_the_same_every_time() -> None:
    """Nothing depends on when, or after what, it is worked out."""
    values = np.random.default_rng(8).standard_normal(100)
    assert error_of_mean(values, draws(100)) == error_of_mean(values, draws(100))
