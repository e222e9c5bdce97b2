"""Periods as one enters them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.plan.periods import round_period, stretched

MS = 1_000_000


@pytest.mark.parametrize(
    ("median_ms", "meant_ms"),
    [(1000.166, 1000), (997.68, 1000), (2499.255, 2500), (1197.299, 1200), (8000.5, 8000), (250.4, 250)],
)
def test_a_measured_median_is_taken_for_the_round_period_next_to_it(
    median_ms: float, meant_ms: float
) -> None:
    """Medians as the samples have them lead to the periods that were set."""
    assert round_period(round(median_ms * MS)) == meant_ms * MS


@given(st.integers(1, 10**15))
def test_rounding_never_goes_further_than_half_a_percent(median_ns: int) -> None:
    """Whatever the median, the period is positive and within 1/200 of it."""
    period_ns = round_period(median_ns)
    assert period_ns > 0
    assert abs(period_ns - median_ns) * 200 <= median_ns


@given(st.integers(1, 10**13), st.floats(1, 1000))
def test_a_stretched_period_is_never_shorter_than_asked(period_ns: int, factor: float) -> None:
    """Rounding goes up, by less than a tenth; a factor of 1 leaves the period alone."""
    longer = stretched(period_ns, factor)
    assert longer >= period_ns
    assert longer >= round(period_ns * factor) * (1 - 1e-12)
    assert longer <= max(round(period_ns * factor) * 1.1 + 1, period_ns)
    assert stretched(period_ns, 1) == period_ns
