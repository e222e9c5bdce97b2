"""Sums over equal blocks of time in, standard errors of their ratios out: a circular block bootstrap.

Polls are autocorrelated, so neighbouring blocks are drawn together (Politis and Romano 1992, circular block
bootstrap). About 20 draws make up a resample (Schmeiser 1982: 10 to 30 batches, whatever the length), so that
variation as slow as a twentieth of the recording is part of what the change has to stand out from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

DRAWS = 20  # stretches of a recording that a resample is made of
LEAST_DRAWS = 8  # below that, nothing is told
UNITS = 80  # more blocks than twice as many are added up to between UNITS and 2 × UNITS
MOST_BLOCKS = 50_000  # a recording thousands of times as long as the other is cut into longer blocks
RESAMPLES = 2000
SEED = 20260101


@dataclass(frozen=True)
class Draws:
    """How a recording's blocks are drawn: ``size`` units at once, of ``blocks_a_unit`` blocks each."""

    units: int
    blocks_a_unit: int
    size: int

    @property
    def freedom(self) -> int:
        """Degrees of freedom of a standard error, those of as many batches that do not overlap."""
        return self.units // self.size - 1

    @property
    def enough(self) -> bool:
        """Whether there are enough independent stretches to tell anything."""
        return self.units // self.size >= LEAST_DRAWS


@lru_cache(maxsize=64)
def draws(blocks: int, least_blocks: int = 1) -> Draws:
    """How to draw from so many blocks; no fewer than ``least_blocks`` at once."""
    blocks_a_unit = max(blocks // UNITS, 1)
    units = blocks // blocks_a_unit
    size = max(-(-units // DRAWS), -(-least_blocks // blocks_a_unit), 1)
    return Draws(units, blocks_a_unit, size)


@lru_cache(maxsize=64)
def _times_drawn(units: int, size: int) -> NDArray[np.float64]:
    """Shape (RESAMPLES, units): how often each unit is in each resample."""
    stretches = -(-units // size)
    # RandomState, because its stream is frozen for all versions of numpy (NEP 19).
    begins = np.random.RandomState(SEED).randint(0, units, (RESAMPLES, stretches, 1))
    drawn = ((begins + np.arange(size)) % units).reshape(RESAMPLES, -1)[:, :units]
    places = drawn + np.arange(RESAMPLES)[:, None] * units
    return np.bincount(places.ravel(), minlength=RESAMPLES * units).reshape(RESAMPLES, units).astype(float)


def standard_errors(
    sums: NDArray[np.float64], weights: NDArray[np.float64], how: Draws
) -> NDArray[np.float64]:
    """Standard errors of Σ sums ÷ Σ weights, column by column; both have shape (blocks, columns).

    The larger of two: stretches drawn as ``how`` says, and twice as long. Where neighbouring stretches go up and
    down together the second is larger, and nearer the truth. nan where there is no weight at all.
    """
    taken = how.units * how.blocks_a_unit
    shape = (how.units, how.blocks_a_unit, -1)
    top, bottom = (part[:taken].reshape(shape).sum(axis=1) for part in (sums, weights))
    once, twice = (_spread(top, bottom, how.units, size) for size in (how.size, 2 * how.size))
    return np.maximum(once, twice)


def _spread(
    top: NDArray[np.float64], bottom: NDArray[np.float64], units: int, size: int
) -> NDArray[np.float64]:
    """Standard deviation of the resamples' ratios, column by column.

    Widened by √(units ÷ (units − size)), since draws from the same recording vary too little about its own mean.
    """
    drawn = _times_drawn(units, size)
    weight = drawn @ bottom
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = (drawn @ top) / weight
    spread = ratios.std(axis=0, ddof=1)
    for column in np.flatnonzero(
        (weight <= 0).any(axis=0)
    ).tolist():  # what is rare: draws without any weight
        own = ratios[weight[:, column] > 0, column]
        spread[column] = own.std(ddof=1) if len(own) > 1 else np.nan
    return np.asarray(spread * math.sqrt(units / max(units - size, 1)))
