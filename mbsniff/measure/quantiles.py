"""Lengths in, nearest ranks out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.measure.figures import Quantiles


def rank(percent: int, count: int) -> int:
    """Index of the nearest rank: the ⌈percent · count ÷ 100⌉-th smallest, from 0; exact."""
    return max(-(-percent * count // 100), 1) - 1


def quantiles(lengths: NDArray[np.int64]) -> Quantiles | None:
    """Nearest ranks of ``lengths``, which are partly reordered; None where there are none."""
    count = len(lengths)
    if count == 0:
        return None
    places = [rank(percent, count) for percent in (5, 50, 95, 99, 100)]
    lengths.partition(sorted(set(places)))
    return Quantiles(count, *(int(lengths[place]) for place in places))


def median(lengths: NDArray[np.int64]) -> int | None:
    """The nearest-rank median alone."""
    found = quantiles(lengths)
    return found.median if found else None
