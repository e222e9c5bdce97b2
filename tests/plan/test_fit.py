"""Loads of several masters within a limit: nothing slower than need be, every step simulated."""

from __future__ import annotations

from itertools import product

import pytest

from mbsniff.plan.fit import Limit, Load, slowed

SECOND = 10**9
MS = 10**6


def load(master: str, *periods_s: float, movable: bool = True, spread_ms: int = 10) -> Load:
    periods = tuple(round(period * SECOND) for period in periods_s)
    return Load(master, periods, (movable,) * len(periods), spread_ms * MS)


def test_what_keeps_to_the_limit_stays_as_it_is() -> None:
    """Factor 1: the very same periods."""
    loads = [load("plc", 1), load("station", 2.5)]
    assert slowed(loads, Limit(4)) == loads


def test_who_asks_least_gets_its_period_back() -> None:
    """Stretching all alike would slow the station without need: one read in a second it has at any period."""
    loads = [load("plc", 1, movable=False), load("station", 2.5), load("terminal", 1.2, 1.2, 1.2, 1.2)]
    chosen = slowed(loads, Limit(4))
    assert chosen is not None
    assert [each.periods_ns[0] / SECOND for each in chosen[:2]] == [1, 2.5]
    assert chosen[2].periods_ns[0] > 4 * SECOND
    assert Limit(4).kept(chosen)


@pytest.mark.parametrize(("polls", "limit"), list(product((1, 2, 3), (1, 2, 4))))
def test_no_shorter_period_of_two_digits_would_do(polls: int, limit: int) -> None:
    """One master with some polls of 200 ms: no common period below the one chosen keeps to the limit."""
    loads = [load("plc", *(0.2,) * polls)]
    chosen = slowed(loads, Limit(limit))
    assert chosen is not None
    found_ms = chosen[0].periods_ns[0] // MS
    steps = [*range(200, 1000, 10), *range(1000, 10_000, 100)]
    shorter = [ms for ms in steps if ms < found_ms * 0.97]  # the search goes in steps of 2 %
    assert not any(Limit(limit).kept([load("plc", *(ms / 1000,) * polls)]) for ms in shorter)


def test_three_clocks_cannot_keep_to_two_reads_a_second() -> None:
    """However slow: all three can read in the same second, and only the mean can be held."""
    loads = [load(name, 1) for name in ("plc", "station", "terminal")]
    assert slowed(loads, Limit(2)) is None
    by_mean = slowed(loads, Limit(2, mean_only=True))
    assert by_mean is not None
    assert Limit(2, mean_only=True).broken(by_mean) == ()
    assert Limit(2).broken(by_mean) == ("second",)


def test_a_limit_below_one_read_a_second_still_allows_one() -> None:
    """A read every 4 s at most: the period becomes 4 s or a little more, not for ever longer."""
    chosen = slowed([load("plc", 1)], Limit(0.25))
    assert chosen is not None
    assert 4 * SECOND <= chosen[0].periods_ns[0] <= 5.1 * SECOND


def test_polls_that_must_stay_cannot_be_slowed() -> None:
    """Nothing movable and too dense: no answer, rather than a search without end."""
    assert slowed([load("plc", 0.1, movable=False)], Limit(4)) is None
