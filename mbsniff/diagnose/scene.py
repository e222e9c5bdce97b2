"""A silence in, what the recording shows of it out: link events, requests without a reply, what else was asked."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.exchange.columns import (
    ANSWERED,
    BY_ORDER,
    E_AMOUNT,
    E_CONNECTION,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LATE,
    OPEN,
    ORPHAN,
    PIPELINED,
    STATUS_MASK,
    UNANSWERED,
)
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.wire.control import UNSEEN
from mbsniff.wire.rows import CLIENT, OPENING, RESET, SERVER

Rows = NDArray[np.int32]
WITHOUT_REPLY = (UNANSWERED, LATE, OPEN)  # in time; open ones to the recording's end


@dataclass(frozen=True)
class Scene:
    """What the recording shows of a silence and the exchange just before it."""

    case: Case
    device: DeviceFigures
    silence: Silence
    limit_ns: int
    from_ns: int
    until_ns: int
    events: NDArray[np.int64]
    """Link events of the endpoint from the last feed, or its reply, to the next."""
    rows: Rows
    """The device's requests meanwhile, from the last feed on."""

    def of_kind(self, kind: int, side: int) -> NDArray[np.int64]:
        """The events of one kind by one side."""
        chosen = (self.events[:, E_KIND] == kind) & (self.events[:, E_SIDE] == side)
        return np.asarray(self.events[chosen], np.int64)

    def statuses(self, rows: Rows) -> NDArray[np.uint8]:
        """The statuses of transactions, without marks."""
        return np.asarray(self.case.exchange.status[rows] & STATUS_MASK, np.uint8)

    @functools.cached_property
    def unanswered(self) -> Rows:
        """The device's requests without a timely reply."""
        return np.asarray(self.rows[np.isin(self.statuses(self.rows), WITHOUT_REPLY)], np.int32)

    @functools.cached_property
    def further(self) -> Rows:
        """The device's requests after the last feed: those that feed nothing, or not for certain."""
        return np.asarray(self.rows[self.rows != self.silence.before], np.int32)

    @functools.cached_property
    def nearly_until_ns(self) -> int:
        """Where the silence's last tenth begins, in which masters and devices come back."""
        return self.until_ns - (self.until_ns - self.from_ns) // 10

    @functools.cached_property
    def is_asked(self) -> bool:
        """Whether requests came that feed nothing, or not for certain, before the last tenth."""
        return bool((self.case.exchange.request_ns[self.further] < self.nearly_until_ns).any())

    @functools.cached_property
    def others(self) -> Rows:
        """Requests of this device's masters to other devices meanwhile, in time order."""
        groups, exchange = self.case.figures.groups, self.case.exchange
        masters = [groups.masters.index(master) for master in self.device.masters]
        of_masters = np.isin(groups.master_of_poll, masters)
        devices = np.unique(groups.device_of_poll[of_masters])
        rows = self.case.requests_between(
            devices[devices != self.device.index], self.from_ns + 1, self.until_ns
        )
        rows = rows[of_masters[exchange.poll[rows]] & (self.statuses(rows) != ORPHAN)]
        return np.asarray(rows[np.argsort(exchange.request_ns[rows], kind="stable")], np.int32)

    @functools.cached_property
    def attempts(self) -> NDArray[np.int64]:
        """The masters' SYNs, those sent again among them."""
        opened = self.of_kind(OPENING, CLIENT)
        return np.asarray(opened[opened[:, E_AMOUNT] != UNSEEN], np.int64)

    @functools.cached_property
    def refusals(self) -> NDArray[np.int64]:
        """Resets by the device that answer a SYN (RFC 9293, 3.5.2)."""
        by_connection = self.events[np.argsort(self.events[:, E_CONNECTION], kind="stable")]
        before, after = by_connection[:-1], by_connection[1:]
        asked = (before[:, E_KIND] == OPENING) & (before[:, E_SIDE] == CLIENT)
        refused = (after[:, E_KIND] == RESET) & (after[:, E_SIDE] == SERVER)
        found = after[asked & refused & (before[:, E_CONNECTION] == after[:, E_CONNECTION])]
        return np.asarray(found[np.argsort(found[:, E_TIME_NS], kind="stable")], np.int64)


def scene_of(case: Case, device: DeviceFigures, silence: Silence, limit_ns: int) -> Scene:
    """Look at a silence: one that is only possible reaches from one confirmed feed to the next one's reply."""
    from_ns, until_ns = extent(silence)
    events = case.events(device, _settled_ns(case, silence), until_ns)
    own = np.array([device.index], np.int64)
    rows = case.requests_between(own, from_ns, silence.until_ns)
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) != ORPHAN]
    return Scene(case, device, silence, limit_ns, from_ns, until_ns, events, rows)


def _settled_ns(case: Case, silence: Silence) -> int:
    """From when on link events matter: what went before the last feed's reply did it no harm."""
    status = int(case.exchange.status[silence.before]) & STATUS_MASK
    if silence.certain and status in (ANSWERED, BY_ORDER, PIPELINED):
        return silence.from_ns + int(case.exchange.reply_ns[silence.before])
    return extent(silence)[0]


def extent(silence: Silence) -> tuple[int, int]:
    """From when until when the device may have been without a feed."""
    if silence.certain or silence.longest_ns is None:
        return silence.from_ns, silence.until_ns
    if silence.after is None:
        return silence.until_ns - silence.longest_ns, silence.until_ns
    return silence.from_ns, silence.from_ns + silence.longest_ns
