"""All masters' reads at one endpoint and its limit in, schedules within the limit out, slowed down if need be."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mbsniff.measure.load import SECOND_NS, TEN_SECONDS_NS
from mbsniff.plan.periods import stretched
from mbsniff.plan.schedule import Schedule, schedule

FINENESS = 1.02  # one factor to the next
MOST_STRETCHED = 1000

_schedule = functools.lru_cache(maxsize=4096)(schedule)


@dataclass(frozen=True)
class Load:
    """What one master reads at an endpoint."""

    master: str
    periods_ns: tuple[int, ...]
    movable: tuple[bool, ...]
    """Which of the polls may be made slower."""
    spread_ns: int

    def stretched(self, factor: float) -> Load:
        """The same with the movable polls' periods longer by the factor."""
        longer = {period: stretched(period, factor) for period in set(self.periods_ns)}
        periods = tuple(
            longer[period] if movable else period
            for period, movable in zip(self.periods_ns, self.movable, strict=True)
        )
        return Load(self.master, periods, self.movable, self.spread_ns)

    def schedule(self) -> Schedule:
        """When its polls begin, and how dense they get."""
        return _schedule(self.periods_ns, self.spread_ns)

    @property
    def reads_per_s(self) -> float:
        """The mean."""
        return sum(SECOND_NS / period for period in self.periods_ns)


@dataclass(frozen=True)
class Limit:
    """What an endpoint tolerates, over all masters together."""

    reads_per_s: float
    mean_only: bool = False
    """Whether only the mean is held against it, not the densest second."""

    @property
    def second(self) -> int:
        """The most reads in any second: a whole number, and one read is always allowed."""
        return max(math.floor(self.reads_per_s), 1)

    @property
    def ten_seconds(self) -> int:
        """The most reads in any 10 s, likewise."""
        return max(math.floor(10 * self.reads_per_s), 1)

    def kept(self, loads: Sequence[Load]) -> bool:
        """Whether the simulated schedules keep to it, however the masters' clocks may stand to each other.

        The clocks drift past each other, so in time the densest second of each falls into the same second: they add up.
        """
        return self._possible(loads) and not self.broken(loads)

    def broken(self, loads: Sequence[Load]) -> tuple[str, ...]:
        """Which parts of the limit are broken: "mean", "10 s", "second"."""
        schedules = [load.schedule() for load in loads]
        rules = (
            ("mean", sum(load.reads_per_s for load in loads) > self.reads_per_s),
            ("10 s", sum(s.ten_seconds for s in schedules) > self.ten_seconds),
            ("second", not self.mean_only and sum(s.second for s in schedules) > self.second),
        )
        return tuple(name for name, broken in rules if broken)

    def _possible(self, loads: Sequence[Load]) -> bool:
        """False where no offsets at all could do: some window holds at least the mean number of reads of its width."""
        least_second = least_ten = 0
        for load in loads:
            least_second += _least(load, SECOND_NS)
            least_ten += _least(load, TEN_SECONDS_NS)
        return least_ten <= self.ten_seconds and (self.mean_only or least_second <= self.second)


def _least(load: Load, width_ns: int) -> int:
    mean = load.reads_per_s * (width_ns + load.spread_ns) / SECOND_NS
    return math.ceil(mean - 1e-9)


def slowed(loads: Sequence[Load], limit: Limit) -> list[Load] | None:
    """The loads with as little made slower as keeps to the limit; None where not even a thousandfold period helps.

    First all movable polls by one factor, the smallest that does, in steps of 2 %; then each master in turn, whoever
    reads least first, gets back the smallest factor that does beside what the others have. Every step is simulated.
    """
    factor = _smallest_factor(loads, limit)
    if factor is None:
        return None
    chosen = [load.stretched(factor) for load in loads]
    if sum(any(load.movable) for load in loads) < 2:
        return chosen
    for place in sorted(range(len(loads)), key=lambda place: loads[place].reads_per_s):
        chosen[place] = _given_back(loads[place], place, chosen, limit)
    return chosen


def _given_back(load: Load, place: int, chosen: Sequence[Load], limit: Limit) -> Load:
    for factor in _factors():
        faster = load.stretched(factor)
        if faster.periods_ns == chosen[place].periods_ns:
            break
        if limit.kept([*chosen[:place], faster, *chosen[place + 1 :]]):
            return faster
    return chosen[place]


def _smallest_factor(loads: Sequence[Load], limit: Limit) -> float | None:
    before: list[Load] = []
    for factor in _factors():
        slower = [load.stretched(factor) for load in loads]
        if slower != before and limit.kept(slower):
            return factor
        if factor > 1 and not any(any(load.movable) for load in loads):
            break
        before = slower
    return None


def _factors() -> Iterator[float]:
    factor = 1.0
    while factor <= MOST_STRETCHED:
        yield factor
        factor *= FINENESS
