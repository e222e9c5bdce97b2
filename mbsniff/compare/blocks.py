"""A device's Series and a length of block in, its sums, maxima and medians over equal blocks of time out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.compare.resampling import Draws, draws
from mbsniff.compare.series import Series, Times


@dataclass(frozen=True)
class Blocks:
    """One recording of a device, cut into ``count`` equal blocks; what is left at its end is in none."""

    series: Series
    length_ns: int
    _ordered: dict[str, Times] = field(default_factory=dict, repr=False)

    @property
    def count(self) -> int:
        """How many whole blocks there are."""
        return self.series.span_ns // self.length_ns

    def draws(self, reach_ns: int = 0) -> Draws:
        """How they are drawn where what is measured reaches over ``reach_ns``."""
        return draws(self.count, -(-reach_ns // self.length_ns))

    def edges(self, times: Times) -> NDArray[np.intp]:
        """Where in ascending ``times`` each block begins, and the last one ends; shape (count + 1,)."""
        return np.searchsorted(times, np.arange(self.count + 1) * self.length_ns)

    def sums(self, name: str) -> NDArray[np.int64]:
        """A count's sum in every block: of the requests' amounts, or of the silences that begin there."""
        times, amounts = self.series.counts(name)
        upto = np.concatenate([[0], np.cumsum(amounts)])
        return np.asarray(np.diff(upto[self.edges(times)]))

    def maxima(self, name: str) -> NDArray[np.float64]:
        """The greatest value of what begins in each block, nan where nothing does."""
        begins, values = self.extremes(name)
        return greatest(begins, values, self.length_ns, self.count)

    def extremes(self, name: str) -> tuple[Times, Times]:
        """When silences or windows begin, and what is the greatest of them."""
        return self.series.silences_ns if name == "silence" else self.series.windows[name]

    def ordered(self, name: str) -> Times:
        """All lengths of the recording, ascending."""
        if name not in self._ordered:
            self._ordered[name] = np.sort(self.series.lengths[name][1])
        return self._ordered[name]

    def medians(self, name: str, percent: int) -> NDArray[np.int64]:
        """A quantile of the lengths in each block that has any, as nearest rank."""
        times, lengths = self.series.lengths[name]
        edges = self.edges(times)
        inside = lengths[edges[0] : edges[-1]]
        counts = np.diff(edges)
        ordered = inside[np.lexsort((inside, np.repeat(np.arange(self.count), counts)))]
        places = edges[:-1] - edges[0] + np.maximum(-(-percent * counts // 100), 1) - 1
        return np.asarray(ordered[places[counts > 0]])


def greatest(begins: Times, values: Times, width_ns: int, count: int) -> NDArray[np.float64]:
    """The greatest value of those that begin in each of ``count`` stretches of a width, nan where none does."""
    edges = np.searchsorted(begins, np.arange(count + 1) * width_ns)
    found = np.full(count, np.nan)
    filled = np.flatnonzero(np.diff(edges))
    if len(filled):
        found[filled] = np.maximum.reduceat(values[: edges[-1]], edges[filled])
    return found
