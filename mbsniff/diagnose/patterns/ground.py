"""A device in, what the recording shows of its whole endpoint out: requests in time order, link events, trust."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Certainty
from mbsniff.exchange.columns import E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS, ORPHAN, STATUS_MASK
from mbsniff.measure import DeviceFigures
from mbsniff.wire.rows import UNRECORDED

SECOND_NS = 1_000_000_000
EVER_NS = 1 << 62
KINDS = 16  # more than there are kinds of link events

Rows = NDArray[np.int32]
Longs = NDArray[np.int64]


@dataclass(frozen=True)
class Ground:
    """What the rules of one endpoint look at; transactions are sorted only where a rule asks for them."""

    case: Case
    device: DeviceFigures
    """The one that speaks for the endpoint."""
    _of_kinds: dict[tuple[int, ...], Longs] = field(default_factory=dict, repr=False, compare=False)

    @functools.cached_property
    def events(self) -> Longs:
        """The endpoint's link events in time order."""
        return self.case.events(self.device, 0, EVER_NS)

    @functools.cached_property
    def _counts(self) -> list[int]:
        counts: list[int] = np.bincount(self.events[:, E_KIND], minlength=KINDS).tolist()
        return counts

    def count(self, *kinds: int) -> int:
        """How many link events of some kinds there are: most rules need not look further."""
        return sum(self._counts[kind] for kind in kinds)

    def events_of(self, *kinds: int) -> Longs:
        """Those of some kinds."""
        if kinds not in self._of_kinds:
            wanted = np.zeros(KINDS, bool)
            wanted[list(kinds)] = True
            self._of_kinds[kinds] = self.events[wanted[self.events[:, E_KIND]]]
        return self._of_kinds[kinds]

    def events_on(self, connection: int, *kinds: int) -> Longs:
        """Those of some kinds on one connection."""
        key = (-1, *kinds)
        if key not in self._of_kinds:
            events = self.events_of(*kinds)
            self._of_kinds[key] = events[np.argsort(events[:, E_CONNECTION], kind="stable")]
        first, last = np.searchsorted(self._of_kinds[key][:, E_CONNECTION], (connection, connection + 1))
        return self._of_kinds[key][first:last]

    @functools.cached_property
    def rows(self) -> Rows:
        """All requests to the endpoint, and its replies without one, in time order."""
        places = np.array([each.index for each in self.case.devices_at(self.device)], np.int64)
        rows = self.case.requests_between(places, 0, EVER_NS)
        return np.asarray(rows[np.argsort(self.case.exchange.request_ns[rows], kind="stable")], np.int32)

    @functools.cached_property
    def requests(self) -> Rows:
        """The requests alone."""
        return np.asarray(self.rows[self.kinds_of(self.rows) != ORPHAN], np.int32)

    @functools.cached_property
    def _by_pair(self) -> tuple[Rows, Longs]:
        """The requests by pair, in time order within each, and their pairs."""
        pairs = self.pairs_of(self.requests)
        order = np.argsort(pairs, kind="stable")
        return np.asarray(self.requests[order], np.int32), pairs[order]

    def requests_of(self, pair: int) -> Rows:
        """One pair's requests in time order."""
        rows, pairs = self._by_pair
        first, last = np.searchsorted(pairs, (pair, pair + 1))
        return rows[first:last]

    def pairs_asking(self) -> list[int]:
        """The pairs that sent requests."""
        found: list[int] = np.unique(self._by_pair[1]).tolist()
        return found

    def kinds_of(self, rows: Rows) -> NDArray[np.uint8]:
        """Statuses without marks."""
        return np.asarray(self.case.exchange.status[rows] & STATUS_MASK, np.uint8)

    def times_of(self, rows: Rows) -> Longs:
        """When the requests (or replies without one) were complete."""
        return self.case.exchange.request_ns[rows]

    def pairs_of(self, rows: Rows) -> Longs:
        """Rows of ``pairs``."""
        return self.case.figures.groups.pair_of_poll[self.case.exchange.poll[rows]]

    def pair_of(self, events: Longs) -> Longs:
        """The same of link events."""
        return self.case.exchange.connection_pair[events[:, E_CONNECTION]].astype(np.int64)

    def client(self, pair: int) -> str:
        """The client's name in words."""
        return self.case.master_name(self.case.exchange.pairs[pair].client)


def speaks(case: Case, device: DeviceFigures) -> bool:
    """Whether findings about the endpoint stand at this device: the first regular one, else the first."""
    all_of_it = case.devices_at(device)
    return next((d for d in all_of_it if d.regular), all_of_it[0]).index == device.index


def trusted(
    case: Case, device: DeviceFigures, at: tuple[int, int], certainty: Certainty, *, side: int | None = None
) -> Certainty:
    """The certainty, or open where the recording lacks bytes (of one side, or of any) in that stretch."""
    events = case.events(device, at[0], at[1] + 60 * SECOND_NS)
    lost = events[events[:, E_KIND] == UNRECORDED]
    if side is not None:
        lost = lost[lost[:, E_SIDE] == side]
    return "open" if len(lost) else certainty


def span(times: Longs) -> tuple[int, int]:
    """The first and the last of some times."""
    return int(times.min()), int(times.max())


def event_span(events: Longs) -> tuple[int, int]:
    """The same of link events."""
    return span(events[:, E_TIME_NS])


def runs(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where stretches of True begin and end (the end left out), in order."""
    edges = np.flatnonzero(np.diff(marks.astype(np.int8), prepend=0, append=0))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
