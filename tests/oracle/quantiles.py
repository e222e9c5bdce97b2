"""Lists of nanoseconds in, nearest-rank quantiles out, rounded once at output."""

from __future__ import annotations


def nearest_rank(values: list[int], percent: int) -> int:
    """The ⌈p·n⌉-th smallest of n."""
    rank = -(-percent * len(values) // 100)
    return sorted(values)[max(rank, 1) - 1]


def seconds(value_ns: int | None) -> float | None:
    return None if value_ns is None else round(value_ns / 10**9, 9)


def milliseconds(values_ns: list[int]) -> dict[str, float] | None:
    """Median, 95th and 99th percentile and maximum in ms; None of nothing."""
    if not values_ns:
        return None
    figures = {"median": 50, "p95": 95, "p99": 99, "max": 100}
    return {name: round(nearest_rank(values_ns, p) / 10**6, 6) for name, p in figures.items()}
