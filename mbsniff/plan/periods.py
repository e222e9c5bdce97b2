"""Measured or stretched periods in, periods as one enters them into a program out."""

from __future__ import annotations

WITHIN = 200  # a measured median is taken for a round period that lies within 1/200 of it (common practice)
_STEPS = (5, 2, 1)


def round_period(median_ns: int) -> int:
    """The roundest period within half a percent of the median: 2.4993 s is meant to be 2.5 s.

    Roundest: a multiple of the largest of 1, 2 or 5 times a power of ten nanoseconds.
    """
    power: int = 10 ** (len(str(median_ns)) - 1)
    while power:
        for step in _STEPS:
            nearest = round(median_ns / (step * power)) * step * power
            if nearest > 0 and abs(nearest - median_ns) * WITHIN <= median_ns:
                return nearest
        power //= 10
    return median_ns


def stretched(period_ns: int, factor: float) -> int:
    """The period times a factor of at least 1, rounded up to two digits; 1 leaves it as it is."""
    if factor <= 1:
        return period_ns
    longer = round(period_ns * factor)
    unit: int = max(10 ** (len(str(longer)) - 2), 1)
    return max(-(-longer // unit) * unit, period_ns)
