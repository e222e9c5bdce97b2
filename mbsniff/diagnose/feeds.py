"""A device in, its feeds in time order out, and the silences between them, which the figures do not list."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.scene import Rows
from mbsniff.exchange.columns import ANSWERED, CHANGED, LATE, ORPHAN, STATUS_MASK
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.feeds import BEYOND_GATEWAY

FEEDING = 5  # a table of its own among the groups'


@dataclass(frozen=True)
class Feeds:
    """Feeds, as DEVELOPERS.md defines them; arrays have shape (feeds,)."""

    rows: Rows
    """The transactions."""
    first_ns: NDArray[np.int64]
    """First sightings."""
    latest_ns: NDArray[np.int64]
    """The latest delivery of each or any before it."""

    confirmed: NDArray[np.bool_]
    """Whether the device replied so that each fed for certain."""

    @property
    def lengths_ns(self) -> NDArray[np.int64]:
        """Simple lengths of the silences; shape (feeds - 1,)."""
        return np.diff(self.first_ns)

    def between_confirmed(self, from_ns: int, until_ns: int) -> slice:
        """The silences from the last confirmed feed at or before a stretch to the first one at or after it."""
        sure_ns = self.first_ns[self.confirmed]
        first = int(np.searchsorted(sure_ns, from_ns, side="right")) - 1
        last = int(np.searchsorted(sure_ns, until_ns))
        begin = int(np.searchsorted(self.first_ns, sure_ns[first])) if first >= 0 else 0
        end = int(np.searchsorted(self.first_ns, sure_ns[last])) if last < len(sure_ns) else len(self.rows)
        return slice(begin, end)

    def silence(self, k: int, limit_ns: int) -> Silence:
        """The silence after feed ``k``; certain where its shortest possible length is beyond the limit."""
        shortest_ns = max(int(self.first_ns[k + 1] - self.latest_ns[k]), 0)
        return Silence(
            from_ns=int(self.first_ns[k]),
            until_ns=int(self.first_ns[k + 1]),
            shortest_ns=shortest_ns,
            longest_ns=None,
            before=int(self.rows[k]),
            after=int(self.rows[k + 1]),
            certain=shortest_ns > limit_ns,
        )


def feeds_of(case: Case, device: DeviceFigures) -> Feeds:
    """The device's feeds; costs some nanoseconds for each of its transactions."""
    exchange, limits, groups = case.exchange, device.limits, case.figures.groups
    rows = case.transactions(device)
    feeding = [poll.row for poll in device.polls if poll.feeds]
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
    latest_ns = np.maximum.accumulate(first_ns + np.maximum(exchange.reply_ns[rows], 0))
    return Feeds(rows, first_ns, latest_ns, confirms[is_feed])
