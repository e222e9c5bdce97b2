"""A device in, its feeds in time order out, and the silences between them, which the figures do not list."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.fed import Feeds, feeds_by


def feeds_of(case: Case, device: DeviceFigures) -> Feeds:
    """The device's feeds; costs some nanoseconds for each of its transactions."""
    feeding = [poll.row for poll in device.polls if poll.feeds]
    return feeds_by(case.figures.groups, device.index, feeding, device.limits)


def silence_after(feeds: Feeds, k: int, limit_ns: int) -> Silence:
    """The silence after feed ``k``; certain where its shortest possible length is beyond the limit."""
    shortest_ns = max(int(feeds.first_ns[k + 1] - feeds.latest_ns[k]), 0)
    return Silence(
        from_ns=int(feeds.first_ns[k]),
        until_ns=int(feeds.first_ns[k + 1]),
        shortest_ns=shortest_ns,
        longest_ns=None,
        before=int(feeds.rows[k]),
        after=int(feeds.rows[k + 1]),
        certain=shortest_ns > limit_ns,
    )


def between_confirmed(feeds: Feeds, from_ns: int, until_ns: int) -> slice:
    """The silences from the last confirmed feed at or before a stretch to the first one at or after it."""
    sure_ns = feeds.first_ns[feeds.confirmed]
    first = int(np.searchsorted(sure_ns, from_ns, side="right")) - 1
    last = int(np.searchsorted(sure_ns, until_ns))
    begin = int(np.searchsorted(feeds.first_ns, sure_ns[first])) if first >= 0 else 0
    end = int(np.searchsorted(feeds.first_ns, sure_ns[last])) if last < len(sure_ns) else len(feeds.rows)
    return slice(begin, end)
