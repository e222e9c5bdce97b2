"""Beginnings of polls and the simulated schedule, held against plain counting, random clocks and pandas' windows."""

from __future__ import annotations

from random import Random

import numpy as np
import pandas as pd
import pytest

from mbsniff.plan.schedule import MOST_EVENTS, densest, schedule, simulate

SECOND = 10**9
MS = 10**6


def busiest_by_counting(times_ns: list[int], width_ns: int) -> int:
    """Most times in any [t, t + width), t being one of them."""
    return max(sum(begin <= time < begin + width_ns for time in times_ns) for begin in times_ns)


@pytest.mark.parametrize("seed", range(20))
def test_the_densest_window_is_what_counting_over_many_repetitions_finds(seed: int) -> None:
    """Without any spread, the repeated schedule equals the same polls written out over four cycles and more."""
    random = Random(seed)
    periods = [random.choice((250, 400, 500, 1000, 2000, 2500)) * MS for _ in range(random.randint(1, 5))]
    offsets = [random.randrange(0, period, MS) for period in periods]
    cycle = int(np.lcm.reduce(periods))
    times = simulate(periods, offsets, cycle)
    long_ns = 4 * cycle + 20 * SECOND
    written = [o + n * p for p, o in zip(periods, offsets, strict=True) for n in range(long_ns // p)]
    for width in (SECOND, 10 * SECOND):
        assert densest(times, cycle, width, 0) == busiest_by_counting(written, width)


@pytest.mark.parametrize("seed", range(8))
def test_no_uneven_clock_makes_a_second_denser_than_foretold(seed: int) -> None:
    """Reads shifted at random within the spread, and windows laid by pandas, never exceed the figure, and reach it."""
    random = np.random.default_rng(seed)
    spread = 40 * MS
    periods = [SECOND, 2 * SECOND, 2 * SECOND, 5 * SECOND // 2][: seed % 4 + 1]
    made = schedule(periods, spread)
    runs = []
    for period, offset in zip(periods, made.offsets_ns, strict=True):
        exact = offset + np.arange(3_000 * SECOND // period) * period
        runs.append(exact + random.integers(-spread // 2 + 1, spread // 2, len(exact)))
    times = pd.to_datetime(np.sort(np.concatenate(runs)) + 10 * SECOND)
    ones = pd.Series(1, index=times)
    second = int(ones.rolling("1s", closed="right").sum().max())
    ten = int(ones.rolling("10s", closed="right").sum().max())
    assert second <= made.second
    assert ten <= made.ten_seconds
    assert made.second - second <= 1


def test_a_poll_at_exactly_the_limit_can_come_once_more() -> None:
    """Four reads a second, evenly spread, are four in each second only while nothing is ever early or late."""
    assert schedule([250 * MS], 0).second == 4
    assert schedule([250 * MS], 5 * MS).second == 5
    assert schedule([250 * MS], 5 * MS).ten_seconds == 41


def test_polls_of_one_period_are_spread_evenly() -> None:
    """Seven polls of 8 s begin 1.14 s apart, so that no second holds two of them."""
    made = schedule([8 * SECOND] * 7, 30 * MS)
    gaps = np.diff([*made.offsets_ns, made.offsets_ns[0] + 8 * SECOND])
    assert made.second == 1
    assert gaps.min() >= 8 * SECOND // 7 - MS


def test_slower_polls_begin_between_the_faster_ones() -> None:
    """A poll of 1 s and two of 2 s: one read every half second."""
    made = schedule([SECOND, 2 * SECOND, 2 * SECOND], 0)
    times = simulate([SECOND, 2 * SECOND, 2 * SECOND], made.offsets_ns, 2 * SECOND)
    assert set(np.diff(times).tolist()) == {SECOND // 2}
    assert made.second == 2


@pytest.mark.parametrize("seed", range(10))
def test_no_choice_on_a_grid_beats_the_schedule_by_more_than_a_read(seed: int) -> None:
    """Three polls, all beginnings on a grid of 24 tried: the search comes within one read of the best second."""
    random = Random(seed)
    periods = [random.choice((500, 800, 1000, 1500, 2000)) * MS for _ in range(3)]
    made = schedule(periods, 20 * MS)
    cycle = int(np.lcm.reduce(periods))
    best = min(
        densest(
            simulate(periods, [0, b * periods[1] // 24, c * periods[2] // 24], cycle), cycle, SECOND, 20 * MS
        )
        for b in range(24)
        for c in range(24)
    )
    assert made.second <= best + 1


def test_periods_that_never_repeat_are_bounded_and_say_so() -> None:
    """With periods that share no measure, the figures bound what any beginnings lead to, and are marked."""
    periods = [1_000_000_007, 998_244_353, 1_200_000_041]
    made = schedule(periods, 0)
    assert not made.simulated
    times = sorted(n * p for p in periods for n in range(MOST_EVENTS // 10))
    assert busiest_by_counting(times[:400], SECOND) <= made.second
    assert busiest_by_counting(times[:400], 10 * SECOND) <= made.ten_seconds
