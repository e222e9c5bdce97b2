"""A device's Series and a length of block in, its sums, maxima and medians over equal blocks of time out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.compare.resampling import Draws, draws
from mbsniff.compare.series import Series, Times


@dataclass(frozen=True)
class Blocks:
    """One recording of a device, cut into ``count`` equal blocks; what is left at its end is in none."""

    series: Series
    length_ns: int
    _known: dict[tuple[str, str], NDArray[Any]] = field(default_factory=dict, repr=False)
    """What was worked out already, by what it is and of which column."""

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
        if ("sums", name) not in self._known:
            times, amounts = self.series.counts(name)
            upto = np.concatenate([[0], np.cumsum(amounts)])[self.edges(times)]
            self._known["sums", name] = upto[1:] - upto[:-1]
        return self._known["sums", name]

    def maxima(self, name: str) -> NDArray[np.float64]:
        """The greatest value of what begins in each block, nan where nothing does."""
        if ("maxima", name) not in self._known:
            begins, values = self.extremes(name)
            self._known["maxima", name] = greatest(begins, values, self.length_ns, self.count)
        return self._known["maxima", name]

    def extremes(self, name: str) -> tuple[Times, Times]:
        """When silences or windows begin, and what is the greatest of them."""
        return self.series.silences_ns if name == "silence" else self.series.windows[name]

    def ordered(self, name: str) -> Times:
        """All lengths of the recording, ascending."""
        if ("ordered", name) not in self._known:
            self._known["ordered", name] = np.sort(self.series.lengths[name][1])
        return self._known["ordered", name]

    def quantiles(self, name: str, percent: int) -> Times:
        """A quantile of the lengths in each block that has any, as nearest rank."""
        ordered, edges = self._by_block(name)
        counts = np.diff(edges)
        places = edges[:-1] - edges[0] + np.maximum(-(-percent * counts // 100), 1) - 1
        return np.asarray(ordered[places[counts > 0]])

    def _by_block(self, name: str) -> tuple[Times, NDArray[np.intp]]:
        """The lengths in blocks, ascending within each, and the blocks' edges among all lengths."""
        times, lengths = self.series.lengths[name]
        edges = self.edges(times)
        if ("in blocks", name) not in self._known:
            inside = lengths[edges[0] : edges[-1]]
            blocks = np.repeat(np.arange(self.count), np.diff(edges))
            self._known["in blocks", name] = inside[np.lexsort((inside, blocks))]
        return self._known["in blocks", name], edges


def greatest(begins: Times, values: Times, width_ns: int, count: int) -> NDArray[np.float64]:
    """The greatest value of those that begin in each of ``count`` stretches of a width, nan where none does."""
    edges = np.searchsorted(begins, np.arange(count + 1) * width_ns)
    found = np.full(count, np.nan)
    filled = np.flatnonzero(np.diff(edges))
    if len(filled):
        found[filled] = np.maximum.reduceat(values[: edges[-1]], edges[filled])
    return found
