"""What was measured in each of two recordings in, intervals of the change between them out, at any level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from mbsniff.compare.distributions import rate_ratio, t_beyond

Interval = tuple[float, float]


class Side(Protocol):
    """A figure of one recording, whose interval is known at any level."""

    @property
    def value(self) -> float:
        """The figure itself."""

    def interval(self, alpha: float) -> Interval:
        """Where the figure lies but for a probability of ``alpha``."""


@dataclass(frozen=True)
class Mean:
    """A mean over time: estimate, standard error, its degrees of freedom, and what one request more would change."""

    value: float
    error: float
    freedom: int
    grain: float = 0.0

    def interval(self, alpha: float) -> Interval:
        """± t standard errors, and the grain, since it is chance whether the edge holds one request more."""
        reach = t_beyond(alpha, self.freedom) * self.error + self.grain
        return self.value - reach, self.value + reach


@dataclass(frozen=True)
class Rank:
    """A quantile: ``lengths`` ascending, the share below it, and that share's standard error."""

    lengths: NDArray[np.int64]
    share: float
    error: float
    freedom: int

    @property
    def value(self) -> float:
        """The nearest rank."""
        return float(self.lengths[_place(self.share, len(self.lengths))])

    def interval(self, alpha: float) -> Interval:
        """The lengths at the ends of the share's interval (Woodruff, J. Am. Stat. Assoc. 47, 1952).

        Without an upper end where the longest ones would have to be longer than any that was seen.
        """
        count = len(self.lengths)
        independent = math.sqrt(self.share * (1 - self.share) / count)
        reach = t_beyond(alpha, self.freedom) * max(self.error, independent)
        low, high = self.share - reach, self.share + reach
        shortest = float(self.lengths[_place(low, count)]) if low > 0 else 0.0
        return shortest, float(self.lengths[_place(high, count)]) if high * count <= count - 1 else math.inf


def _place(share: float, count: int) -> int:
    """Index of the nearest rank."""
    return min(max(math.ceil(share * count - 1e-9), 1), count) - 1


@dataclass(frozen=True)
class Events:
    """Events of one recording: how many, in what exposure, and how many come in a bunch."""

    count: int
    exposure: float
    dispersion: float | None = None
    """Variance ÷ mean of the blocks' counts, None without events."""
    freedom: int = 0

    @property
    def value(self) -> float:
        """Events ÷ exposure."""
        return self.count / self.exposure


def difference(before: Side, after: Side, alpha: float) -> Interval:
    """The interval of after − before, from those of each (Zou and Donner, Statistics in Medicine 27, 2008)."""
    low_b, high_b = before.interval(alpha)
    low_a, high_a = after.interval(alpha)
    change = after.value - before.value
    down = math.hypot(after.value - low_a, high_b - before.value)
    up = math.hypot(high_a - after.value, before.value - low_b)
    return change - down, change + up


def ratio(before: Events, after: Events, alpha: float) -> Interval:
    """The interval of (rate after ÷ rate before).

    Events that come in bunches tell less than as many single ones: counts are divided by their dispersion over
    the blocks of both recordings, where it is above 1 (McCullagh and Nelder 1989, 6.2.3).
    """
    bunched = [(e.freedom, e.dispersion) for e in (before, after) if e.dispersion is not None]
    freedom = sum(weight for weight, _ in bunched)
    together = sum(weight * dispersion for weight, dispersion in bunched) / freedom if freedom else 1.0
    size = max(together, 1.0)
    return rate_ratio((before.count / size, before.exposure), (after.count / size, after.exposure), alpha)
