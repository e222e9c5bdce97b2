"""Exact nanoseconds in, the rounded numbers of every output format out: rounded here and nowhere else."""

from __future__ import annotations

import math

from mbsniff.measure import Quantiles


def seconds(ns: int | None) -> float | None:
    """Seconds with nine decimals."""
    return None if ns is None else round(ns / 10**9, 9)


def milliseconds(ns: int | None) -> float | None:
    """Milliseconds with six decimals."""
    return None if ns is None else round(ns / 10**6, 6)


def per_second(count: int, span_ns: int) -> float | None:
    """Events a second with six decimals; None over no time."""
    return round(count * 10**9 / span_ns, 6) if span_ns > 0 else None


def ratio(value: float | None) -> float | None:
    """A ratio with six decimals."""
    return None if value is None else round(value, 6)


def in_milliseconds(lengths: Quantiles | None) -> dict[str, float | None] | None:
    """Median, 95th and 99th percentile and maximum, in milliseconds."""
    if lengths is None:
        return None
    parts = {"median": lengths.median, "p95": lengths.p95, "p99": lengths.p99, "max": lengths.max}
    return {name: milliseconds(ns) for name, ns in parts.items()}


def in_seconds(lengths: Quantiles | None) -> dict[str, float | None] | None:
    """Median, 5th and 95th percentile and maximum, in seconds."""
    if lengths is None:
        return None
    parts = {"median": lengths.median, "p5": lengths.p5, "p95": lengths.p95, "max": lengths.max}
    return {name: seconds(ns) for name, ns in parts.items()}


def number(value: float | None) -> float | None:
    """A value in engineering units with twelve significant digits; None for what is no finite number."""
    return float(f"{value:.12g}") if value is not None and math.isfinite(value) else None
