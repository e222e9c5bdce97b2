"""Nanoseconds as seconds and milliseconds: exact to the last digit, null where there is none."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure import Quantiles
from mbsniff.report.rounding import in_milliseconds, in_seconds, milliseconds, per_second, ratio, seconds

LONGEST_EXACT_NS = 10**15 - 1  # 15 digits survive a double (IEEE 754)


@given(st.integers(0, LONGEST_EXACT_NS))
def test_every_nanosecond_survives(ns: int) -> None:
    """Nine decimals of a second, six of a millisecond, give back the nanoseconds."""
    assert Decimal(repr(seconds(ns))) * 10**9 == ns
    assert Decimal(repr(milliseconds(ns))) * 10**6 == ns


@given(st.integers(0, 10**9), st.integers(1, 10**14))
def test_rates_are_within_half_of_the_last_digit(count: int, span_ns: int) -> None:
    """Six decimals, as near as a double allows."""
    rate = per_second(count, span_ns)
    assert rate is not None
    exact = Fraction(count * 10**9, span_ns)
    assert abs(Fraction(rate) - exact) <= Fraction(1, 2_000_000) + exact / 2**52


def test_nothing_is_null() -> None:
    """No value, and no rate over no time: null, not 0."""
    assert [seconds(None), milliseconds(None), ratio(None), per_second(3, 0)] == [None] * 4
    assert (in_milliseconds(None), in_seconds(None)) == (None, None)
    assert (seconds(0), milliseconds(0), per_second(0, 5)) == (0.0, 0.0, 0.0)


def test_quantiles_by_name() -> None:
    """Each under its name, in its unit."""
    lengths = Quantiles(count=5, p5=1, median=2_000_001, p95=3_000_000, p99=4_000_000, max=5_000_000_000)
    assert in_milliseconds(lengths) == {"median": 2.000001, "p95": 3.0, "p99": 4.0, "max": 5000.0}
    assert in_seconds(lengths) == {"median": 0.002000001, "p5": 1e-09, "p95": 0.003, "max": 5.0}


@pytest.mark.parametrize(("value", "told"), [(1 / 3, 0.333333), (-0.0333333333, -0.033333), (1.0, 1.0)])
def test_ratios(value: float, told: float) -> None:
    """Six decimals, whatever the sign."""
    assert ratio(value) == told
