"""Wanted values and what may be read in, the fewest blocks that read them out: an exact minimum cover."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Range = tuple[int, int]
"""First and last data address, both included."""


@dataclass(frozen=True, order=True)
class Value:
    """A value that is wanted whole: its addresses are never divided between two blocks."""

    first: int
    words: int
    """How many addresses: 1, or 2 for a value of 32 bits."""
    period_ns: int
    """It is wanted at least this often."""

    @property
    def last(self) -> int:
        """Its last address."""
        return self.first + self.words - 1


@dataclass(frozen=True, order=True)
class Block:
    """One read: addresses from ``first`` on, polled at the shortest period wanted of what it is there for."""

    first: int
    count: int
    period_ns: int
    wanted: int
    """How many of its addresses are wanted; the others are bridged."""

    @property
    def last(self) -> int:
        """Its last address."""
        return self.first + self.count - 1


@dataclass(frozen=True)
class Ground:
    """What blocks of one table of a device may be."""

    longest: int
    """The most addresses of one block."""
    readable: tuple[Range, ...] = ()
    """Ranges known to be readable, so that a block may cross them though nobody wants them."""
    refused: tuple[Range, ...] = ()
    """Blocks that the device refused as a whole: none that contains one of them is planned."""

    def allows(self, values: Sequence[Value]) -> list[int]:
        """For each value, the index of the first one that a block ending with it may begin with.

        ``values`` are sorted and do not overlap. A block that is allowed stays so when it is shortened, so all values
        from that index on may be its first. An index beyond the value's own says that not even it alone may be read.
        """
        reach = []
        begin = 0
        for index, value in enumerate(values):
            if index and not self._crosses(values[index - 1].last + 1, value.first - 1):
                begin = index
            while begin <= index and not self._takes(values[begin].first, value.last):
                begin += 1
            reach.append(begin)
        return reach

    def _crosses(self, first: int, last: int) -> bool:
        return first > last or any(low <= first and last <= high for low, high in self.readable)

    def _takes(self, first: int, last: int) -> bool:
        if last - first + 1 > self.longest:
            return False
        return not any(first <= low and high <= last for low, high in self.refused)


def cover(values: Sequence[Value], ground: Ground) -> tuple[list[Block], list[Value]]:
    """(blocks, values that no block may hold): the fewest reads a second; of these, the fewest registers a second.

    Exact over all ways to read every value with one block each, whether blocks overlap or not, a block being polled
    at the shortest period wanted of its values: some best way divides the sorted values into runs (DEVELOPERS.md,
    "Plans"), and dynamic programming tries all divisions. O(values × values in a block). Values may
    stand twice, or overlap: what shares an address is joined first, and wanted at the shorter period.
    """
    joined = join(values)
    reach = ground.allows(joined)
    alone = [value for value in joined if ground.allows([value]) != [0]]
    if alone:
        fit = [value for value in joined if value not in alone]
        return cover(fit, ground)[0], alone
    return _blocks(joined, _divisions(joined, reach)), []


def join(values: Sequence[Value]) -> list[Value]:
    """The values in order of address, those that share an address made one, at the shorter period."""
    joined: list[Value] = []
    for value in sorted(values):
        if joined and value.first <= joined[-1].last:
            before = joined[-1]
            words = max(before.last, value.last) - before.first + 1
            joined[-1] = Value(before.first, words, min(before.period_ns, value.period_ns))
        else:
            joined.append(value)
    return joined


def _divisions(values: Sequence[Value], reach: Sequence[int]) -> list[int]:
    """For each value, the index of the first value of the block that ends with it in the best way to read so far.

    A cost is reads × ``most`` + registers, both in whole multiples of a common fraction of a second, where ``most`` is
    more than all registers together: whole numbers, compared exactly, in Python's own where 64 bits are too few.
    """
    common = math.lcm(*{value.period_ns for value in values})
    rates = [common // value.period_ns for value in values]
    longest = max((values[i].last - values[b].first + 1 for i, b in enumerate(reach)), default=0)
    most = sum(rates) * longest + 1
    number: Any = np.int64 if most * (sum(rates) + 1) < 2**62 else object
    firsts: NDArray[Any] = np.array([value.first for value in values], number)
    fastest: NDArray[Any] = np.array(rates, number)  # from here to the value that a block ends with
    costs: NDArray[Any] = np.array([0] * (len(values) + 1), number)
    begins = []
    for index, (value, least) in enumerate(zip(values, reach, strict=True)):
        ending = slice(least, index + 1)
        np.maximum(fastest[ending], rates[index], out=fastest[ending])
        totals = costs[ending] + fastest[ending] * (most + value.last + 1 - firsts[ending])
        begin = index - int(np.argmin(totals[::-1]))  # of equal ones, earlier blocks are the longer ones
        costs[index + 1] = totals[begin - least]
        begins.append(begin)
    return begins


def _blocks(values: Sequence[Value], begins: Sequence[int]) -> list[Block]:
    blocks = []
    end = len(values)
    while end:
        run = values[begins[end - 1] : end]
        count = run[-1].last - run[0].first + 1
        period_ns = min(value.period_ns for value in run)
        blocks.append(Block(run[0].first, count, period_ns, sum(value.words for value in run)))
        end = begins[end - 1]
    return blocks[::-1]
