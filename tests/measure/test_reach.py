"""What no placement of deliveries can shorten is due for certain: by hand, and against trying all placements."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.measure.fed import Feeds
from mbsniff.measure.reach import _due
from mbsniff.site.limits import Limits
from tests.builders.measured import SECOND, at, device_of, poll
from tests.builders.plant import Plant

THREE_SECONDS = Limits(watchdog_ns=3 * SECOND, tolerance=0.1)


def hung(*, until_s: float, then: list[float]) -> Plant:
    """Asked each second up to 10 s; the request at 11 s is sent again by TCP up to a time, and answered then."""
    plant = Plant()
    link = plant.connection(("192.0.2.10", 49152))
    poll(link, [*range(11)])
    poll(link, [11], reply_s=None, first=100)
    for k in range(1, round(until_s - 11) + 1):
        at(plant, 11 + k)
        link.again(0)
    poll(link, then, first=200)
    return plant


def test_a_hung_request_cannot_feed_twice() -> None:
    """Sent again from 11 to 20 s, next request at 21 s: delivered late or early, 3.3 s were not kept."""
    silences = device_of(hung(until_s=20, then=[21, 22, 23]), THREE_SECONDS, until_s=24).silences
    assert (silences.certain, silences.possible) == (1, 0)
    (beyond,) = silences.beyond
    assert beyond.certain and beyond.shortest_ns == 3_300_000_001
    assert beyond.longest_ns is not None and beyond.longest_ns / SECOND == pytest.approx(11.1)


def test_a_hung_request_that_may_have_come_in_time() -> None:
    """Sent again from 11 to 15 s, next request at 16 s: delivered at 13 s, the timeout was kept."""
    silences = device_of(hung(until_s=15, then=[16, 17, 18]), THREE_SECONDS, until_s=19).silences
    assert (silences.certain, silences.possible) == (0, 1)


def test_a_hung_request_at_the_end() -> None:
    """Sent again from 11 to 20 s, and the recording ends at 21 s: due for certain."""
    silences = device_of(hung(until_s=20, then=[]), THREE_SECONDS, until_s=21).silences
    assert (silences.certain, silences.possible, silences.end_is_due) == (1, 0, None)
    assert silences.end is not None and silences.end.length_ns / SECOND == pytest.approx(10)
    (beyond,) = silences.beyond
    assert beyond.after is None and beyond.length_ns / SECOND == pytest.approx(11)


LENGTHS = st.integers(0, 12)


@given(st.lists(st.tuples(LENGTHS, LENGTHS), min_size=1, max_size=5), LENGTHS, st.integers(1, 5))
def test_against_trying_all(feeds: list[tuple[int, int]], ends: int, limit: int) -> None:
    """The end lies within reach just where some order and placement of the deliveries keeps every gap to the limit."""
    ordered = sorted((first, first + length) for first, length in feeds)
    first_ns, delivered_ns = (np.array([0, *column], np.int64) for column in zip(*ordered, strict=True))
    ends_ns = int(first_ns[-1]) + ends
    confirmed = np.zeros(len(first_ns), bool)
    made = Feeds(np.arange(len(first_ns), dtype=np.int32), first_ns, delivered_ns, confirmed)
    found = bool(list(_due(made, [(0, len(first_ns))], ends_ns, limit)))
    assert found == (not _can_be_kept(ordered, ends_ns, limit))


def _can_be_kept(feeds: list[tuple[int, int]], ends: int, limit: int) -> bool:
    """Whether deliveries can be placed so that from 0 to the end nothing is longer than the limit."""
    return any(_reach(order, limit) >= ends for order in permutations(feeds))


def _reach(order: tuple[tuple[int, int], ...], limit: int) -> int:
    """How far deliveries in this order reach, each as late as it can be; those that come too late add nothing."""
    reached = 0
    for first, latest in order:
        if first <= reached + limit and latest > reached:
            reached = min(latest, reached + limit)
    return reached + limit
