"""Periods of one master's reads at an endpoint in, when each begins and how dense they get, by simulation, out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from mbsniff.measure.load import SECOND_NS, TEN_SECONDS_NS

MOST_EVENTS = 20_000  # of one repetition of the schedule; what repeats later is bounded, not simulated
MOST_MOVED = 24  # polls whose beginnings are tried one by one
TRIES = 24  # beginnings tried for each, evenly over its period
STEP_NS = 1_000_000  # beginnings are whole milliseconds


@dataclass(frozen=True)
class Schedule:
    """When each poll of a master begins, and what that comes to at its worst."""

    offsets_ns: tuple[int, ...]
    """After the master's own beginning of the cycle; in the order of the periods given."""
    second: int
    """Most reads in any second, each read being as early or late as its period was seen to spread."""
    ten_seconds: int
    """The same in any 10 s."""
    simulated: bool
    """Whether a whole repetition was simulated; otherwise both are upper bounds for any offsets."""


def schedule(periods_ns: Sequence[int], spread_ns: int) -> Schedule:
    """Spread polls of these periods so that no second holds more of them than need be.

    Polls of one period are spread evenly; then each poll in turn begins where the densest second, the densest 10 s
    and the shortest distance between two reads come out best, as long as that makes anything better. That is a search,
    not a proof: another choice might be better still. ``spread_ns``: how far an interval was seen to differ from
    the period.
    """
    if not periods_ns:
        return Schedule((), 0, 0, True)
    cycle_ns = math.lcm(*periods_ns)
    offsets = _even(periods_ns)
    if sum(cycle_ns // period for period in periods_ns) > MOST_EVENTS:
        bounds = (_bound(periods_ns, SECOND_NS + spread_ns), _bound(periods_ns, TEN_SECONDS_NS + spread_ns))
        return Schedule(tuple(offsets), *bounds, simulated=False)
    if len(periods_ns) <= MOST_MOVED:
        offsets = _moved(periods_ns, offsets, cycle_ns, spread_ns)
    times = simulate(periods_ns, offsets, cycle_ns)
    return Schedule(
        tuple(offsets),
        densest(times, cycle_ns, SECOND_NS, spread_ns),
        densest(times, cycle_ns, TEN_SECONDS_NS, spread_ns),
        simulated=True,
    )


def simulate(periods_ns: Sequence[int], offsets_ns: Sequence[int], cycle_ns: int) -> NDArray[np.int64]:
    """When reads happen in one repetition of the schedule, shape (reads,), int64 nanoseconds in order."""
    runs = [
        (offset + np.arange(cycle_ns // period, dtype=np.int64) * period) % cycle_ns
        for period, offset in zip(periods_ns, offsets_ns, strict=True)
    ]
    return np.sort(np.concatenate(runs))


def densest(times_ns: NDArray[np.int64], cycle_ns: int, width_ns: int, spread_ns: int) -> int:
    """Most reads in any [t, t + width) of a schedule that repeats for ever, at the worst of their spread.

    An interval that can be shorter by the spread puts into a window what lies within the width and the spread.
    """
    whole, rest_ns = divmod(width_ns + spread_ns, cycle_ns)
    again = np.concatenate([times_ns, times_ns + cycle_ns])
    ends = np.searchsorted(again, times_ns + rest_ns, side="left")
    return int(np.max(ends - np.arange(len(times_ns)))) + whole * len(times_ns)


def _bound(periods_ns: Sequence[int], width_ns: int) -> int:
    return sum(-(-width_ns // period) for period in periods_ns)


def _even(periods_ns: Sequence[int]) -> list[int]:
    """Polls of one period spread over it evenly, the first poll of each at its half distance."""
    offsets = [0] * len(periods_ns)
    places = sorted(range(len(periods_ns)), key=lambda place: (periods_ns[place], place))
    for number, (period, group) in enumerate(groupby(places, key=lambda place: periods_ns[place])):
        members = list(group)
        for rank, place in enumerate(members):
            late = (2 * rank + (number > 0)) * period // (2 * len(members))
            offsets[place] = late // STEP_NS * STEP_NS % period
    return offsets


def _moved(periods_ns: Sequence[int], offsets_ns: list[int], cycle_ns: int, spread_ns: int) -> list[int]:
    """The offsets with each poll in turn moved to where the whole comes out best."""
    best = list(offsets_ns)
    score = _score(periods_ns, best, cycle_ns, spread_ns)
    improved = True
    while improved:
        improved = False
        for place, period in enumerate(periods_ns):
            for step in range(TRIES):
                moved = step * period // TRIES // STEP_NS * STEP_NS
                tried = [*best[:place], moved, *best[place + 1 :]]
                new = _score(periods_ns, tried, cycle_ns, spread_ns)
                if new < score:
                    best, score, improved = tried, new, True
    return best


def _score(
    periods_ns: Sequence[int], offsets_ns: Sequence[int], cycle_ns: int, spread_ns: int
) -> tuple[int, int, int]:
    """Less is better: most reads in a second, in 10 s, and the shortest distance, negative."""
    times = simulate(periods_ns, offsets_ns, cycle_ns)
    gaps = np.diff(times, append=times[0] + cycle_ns)
    return (
        densest(times, cycle_ns, SECOND_NS, spread_ns),
        densest(times, cycle_ns, TEN_SECONDS_NS, spread_ns),
        -int(gaps.min()),
    )
