"""Probabilities in, exact quantiles of Student's t and limits of a binomial share out; no table, no library."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

TINY = 1e-300  # stands in for a zero denominator in the continued fraction
CLOSE = 1e-15
MOST_TERMS = 20_000
HALVINGS = 80


def beta_share(a: float, b: float, x: float) -> float:
    """The regularized incomplete beta function I_x(a, b), for a, b > 0 (NIST DLMF 8.17)."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - beta_share(b, a, 1 - x)
    scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    return math.exp(scale) * _fraction(a, b, x) / a


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of DLMF 8.17.22, by the modified Lentz algorithm (DLMF 3.10(iii))."""
    c, d = 1.0, 1 / _not_zero(1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            d = 1 / _not_zero(1 + term * d)
            c = _not_zero(1 + term / c)
            value *= c * d
        if abs(c * d - 1) < CLOSE:
            break
    return value


def _not_zero(value: float) -> float:
    return value if abs(value) > TINY else TINY


def _root(rises: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses zero, by halving."""
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if rises(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@lru_cache(maxsize=4096)
def t_beyond(alpha: float, freedom: int) -> float:
    """How many standard errors Student's t exceeds, either way, with probability ``alpha``."""
    # P(|T| > t) = I(x; freedom / 2, 1 / 2) with x = freedom / (freedom + t²), which rises with x.
    x = _root(lambda share: beta_share(freedom / 2, 0.5, share) - alpha, 0.0, 1.0)
    return math.sqrt(freedom * (1 - x) / x) if x > 0 else math.inf


@lru_cache(maxsize=4096)
def share_limits(count: float, others: float, alpha: float) -> tuple[float, float]:
    """Exact limits of a binomial share of which ``count`` of ``count + others`` were seen.

    Clopper and Pearson, Biometrika 26 (1934). Counts need not be whole: those of events that come in bunches are
    reduced to as many as would tell as much alone.
    """
    low = _root(lambda p: beta_share(count, others + 1, p) - alpha / 2, 0.0, 1.0) if count else 0.0
    high = _root(lambda p: beta_share(count + 1, others, p) - 1 + alpha / 2, 0.0, 1.0) if others else 1.0
    return low, high


def rate_ratio(before: tuple[float, float], after: tuple[float, float], alpha: float) -> tuple[float, float]:
    """Limits of (rate after ÷ rate before), from (events, exposure) of each; math.inf where there is none.

    Given how many events there were in all, those after are a binomial share (Przyborowski and Wilenski,
    Biometrika 31, 1940).
    """
    scale = before[1] / after[1]
    low, high = share_limits(after[0], before[0], alpha)
    return low / (1 - low) * scale if low < 1 else math.inf, high / (
        1 - high
    ) * scale if high < 1 else math.inf
