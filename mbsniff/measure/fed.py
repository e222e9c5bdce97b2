"""A device's transactions and what feeds its watchdog in, its feeds in time order out, as columns.

For what the loop over all transactions does not list; it costs some nanoseconds for each of them.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import ANSWERED, CHANGED, LATE, ORPHAN, STATUS_MASK
from mbsniff.measure.feeds import BEYOND_GATEWAY
from mbsniff.measure.groups import Groups
from mbsniff.site import Limits

FEEDING = 5  # a table of its own among the groups'


@dataclass(frozen=True)
class Feeds:
    """Feeds, as DEVELOPERS.md defines them; arrays have shape (feeds,)."""

    rows: NDArray[np.int32]
    """The transactions."""
    first_ns: NDArray[np.int64]
    """First sightings."""
    delivered_ns: NDArray[np.int64]
    """Latest deliveries."""
    confirmed: NDArray[np.bool_]
    """Whether the device replied so that each fed for certain."""

    @functools.cached_property
    def latest_ns(self) -> NDArray[np.int64]:
        """The latest delivery of each or any before it."""
        return np.maximum.accumulate(self.delivered_ns)

    @property
    def lengths_ns(self) -> NDArray[np.int64]:
        """Simple lengths of the silences; shape (feeds - 1,)."""
        return np.diff(self.first_ns)

    def places(self, rows: list[int]) -> list[int]:
        """Where these of the transactions stand."""
        order = np.argsort(self.rows, kind="stable")
        found: list[int] = order[np.searchsorted(self.rows[order], rows)].tolist()
        return found


def feeds_by(groups: Groups, device: int, feeding: list[int], limits: Limits) -> Feeds:
    """A device's feeds; ``feeding``: rows of the polls whose requests feed its watchdog."""
    exchange, rows = groups.exchange, groups.transactions(device)
    with groups.table(feeding, 1, place=FEEDING) as flags:
        rows = rows[flags[exchange.poll[rows]] > 0]
    marks, codes = exchange.status[rows], exchange.exception[rows]
    kinds = marks & STATUS_MASK
    confirms = codes == 0
    if limits.exceptions_feed:
        confirms |= (codes < BEYOND_GATEWAY) | (codes > BEYOND_GATEWAY + 1)
    confirms &= (kinds >= ANSWERED) & (kinds <= LATE)
    is_feed = kinds != ORPHAN
    if limits.fed_by.change:
        is_feed &= (marks & CHANGED) > 0
    if limits.fed_by.kind == "reply":
        is_feed &= confirms
    rows = rows[is_feed]
    first_ns = exchange.request_ns[rows]
    return Feeds(rows, first_ns, first_ns + np.maximum(exchange.reply_ns[rows], 0), confirms[is_feed])
