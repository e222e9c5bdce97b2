"""Silences that are only possibly beyond the limit in, those that no placement of deliveries could shorten out.

Each feed is delivered once, somewhere from its first sighting to its latest delivery. What reaches furthest is to
deliver them in the order of their latest deliveries, each as late as the limit allows; where not even that reaches the
next first sighting, the watchdog was due for certain.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from mbsniff.exchange.columns import LONGEST_WAIT_NS
from mbsniff.measure.fed import Feeds
from mbsniff.measure.figures import Silence, Silences

Stretch = tuple[int, int]
"""Places of the feeds around a possible silence; the second is the number of feeds where the recording ends first."""


def settled(found: Silences, feeds: Feeds, limit_ns: int) -> Silences:
    """The silences, with those as certain that are beyond the limit whatever placement is assumed."""
    possible = [silence for silence in found.beyond if not silence.certain]
    rows = [row for s in possible for row in (s.before, s.after) if row is not None]
    places = feeds.places(rows)
    stretches: list[Stretch] = list(zip(places[::2], places[1::2], strict=True))
    if found.end_is_due == "possible":
        stretches.append((int(np.flatnonzero(feeds.confirmed)[-1]), len(feeds.rows)))
    ends_ns = found.end.until_ns if found.end else 0
    due = {stretch for chain in _chains(stretches) for stretch in _due(feeds, chain, ends_ns, limit_ns)}
    if not due:
        return found
    is_due = dict(zip(map(id, possible), (stretch in due for stretch in stretches), strict=False))
    complete = sum(is_due.values())
    to_end = [_to_end(feeds, stretch[0], found.end) for stretch in due if stretch[1] == len(feeds.rows)]
    return replace(
        found,
        beyond=[_certain(s, limit_ns) if is_due.get(id(s)) else s for s in found.beyond]
        + [_certain(silence, limit_ns) for silence in to_end if silence],
        certain=found.certain + len(due),
        possible=found.possible - complete,
        end_is_due=None if to_end else found.end_is_due,
    )


def _to_end(feeds: Feeds, place: int, end: Silence | None) -> Silence | None:
    """From the last confirmed feed to the recording's end, with whatever came to nothing in between."""
    if end is None:
        return None
    return replace(end, from_ns=int(feeds.first_ns[place]), before=int(feeds.rows[place]))


def _certain(silence: Silence, limit_ns: int) -> Silence:
    """The same; all that is certain of its length is that it was beyond the limit."""
    return replace(silence, certain=True, shortest_ns=limit_ns + 1)


def _chains(stretches: list[Stretch]) -> Iterator[list[Stretch]]:
    """Stretches that follow each other at once: how far the feeds reach in one depends on the one before."""
    chain: list[Stretch] = []
    for stretch in sorted(stretches):
        if chain and stretch[0] != chain[-1][1]:
            yield chain
            chain = []
        chain.append(stretch)
    if chain:
        yield chain


def _due(feeds: Feeds, chain: list[Stretch], ends_ns: int, limit_ns: int) -> Iterator[Stretch]:
    """Those of a chain in which something lies beyond what the feeds before it can reach."""
    begin, stop = chain[0][0], chain[-1][1]
    reached_ns = int(feeds.delivered_ns[begin])
    since = int(np.searchsorted(feeds.first_ns, feeds.first_ns[begin] - LONGEST_WAIT_NS))
    waiting = [ns for ns in feeds.delivered_ns[since:begin].tolist() if ns > reached_ns]
    heapq.heapify(waiting)
    first_ns = [
        *feeds.first_ns[begin + 1 : stop + 1].tolist(),
        *([ends_ns] if stop == len(feeds.rows) else []),
    ]
    latest_ns = [*feeds.delivered_ns[begin + 1 : stop + 1].tolist(), ends_ns]
    place = begin
    for stretch in chain:
        is_due = False
        while place < stretch[1]:
            now_ns, delivered_ns = first_ns[place - begin], latest_ns[place - begin]
            while waiting and now_ns > reached_ns + limit_ns:
                reached_ns = max(reached_ns, min(heapq.heappop(waiting), reached_ns + limit_ns))
            if now_ns > reached_ns + limit_ns:
                is_due, reached_ns = True, delivered_ns
            else:
                heapq.heappush(waiting, delivered_ns)
            place += 1
        if is_due:
            yield stretch
