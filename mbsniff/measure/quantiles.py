"""Lengths in, nearest ranks out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import kernel
from mbsniff.measure.figures import Quantiles
from mbsniff.wire.load import INDEX, Columns

PERCENTS = (5, 50, 95, 99, 100)
LEAST_COUNTED = 2048  # fewer lengths are quicker partitioned at once
BUCKET_BITS = 12  # the counts stay in a core's first cache


@kernel
def count_buckets(lengths: Columns, low: int, shift: int, counts: Columns) -> int:
    """counts: how many lengths lie in each stretch of 2**shift from ``low`` on."""
    for k in range(len(lengths)):
        counts[(lengths[k] - low) >> shift & INDEX] += 1
    return 0


@kernel
def gather_buckets(lengths: Columns, low: int, shift: int, wanted: Columns, gathered: Columns) -> int:
    """The lengths whose stretch is wanted, into ``gathered``; how many."""
    count = 0
    for k in range(len(lengths)):
        if wanted[(lengths[k] - low) >> shift & INDEX]:
            gathered[count & INDEX] = lengths[k]
            count += 1
    return count


def rank(percent: int, count: int) -> int:
    """Index of the nearest rank: the ⌈percent · count ÷ 100⌉-th smallest, from 0; exact."""
    return max(-(-percent * count // 100), 1) - 1


def quantiles(lengths: NDArray[np.int64], *, compiled: bool) -> Quantiles | None:
    """Nearest ranks of ``lengths``, which may be reordered; None where there are none."""
    count = len(lengths)
    if count == 0:
        return None
    places = [rank(percent, count) for percent in PERCENTS]
    if compiled and count >= LEAST_COUNTED:
        lengths, places = _narrowed(lengths, places)
    lengths.partition(sorted(set(places)))
    return Quantiles(count, *(int(lengths[place]) for place in places))


def median(lengths: NDArray[np.int64]) -> int | None:
    """The nearest-rank median alone."""
    found = quantiles(lengths, compiled=False)
    return found.median if found else None


def _narrowed(lengths: NDArray[np.int64], places: list[int]) -> tuple[NDArray[np.int64], list[int]]:
    """The lengths around the places, and what place each has among those alone."""
    low, high = int(lengths.min()), int(lengths.max())
    shift = max((high - low).bit_length() - BUCKET_BITS, 0)
    counts = np.zeros(1 << BUCKET_BITS, np.int64)
    count_buckets(lengths, low, shift, counts, compiled=True)
    buckets = np.searchsorted(np.cumsum(counts), places, side="right")
    wanted = np.zeros_like(counts)
    wanted[buckets] = 1
    passed_over = np.cumsum(counts * (1 - wanted))[buckets]
    gathered = np.empty(int(counts[np.flatnonzero(wanted)].sum()), np.int64)
    gather_buckets(lengths, low, shift, wanted, gathered, compiled=True)
    return gathered, (np.array(places) - passed_over).tolist()
