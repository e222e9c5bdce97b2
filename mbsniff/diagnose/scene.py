"""A silence in, what the recording shows of it out: link events, requests without a reply, what else was asked.

What counts is what the *feeders* did: the masters whose requests feed this device's watchdog.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.lines import WITHOUT_REPLY, Line, one_of
from mbsniff.exchange.columns import (
    ANSWERED,
    BY_ORDER,
    E_AMOUNT,
    E_CONNECTION,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    ORPHAN,
    PIPELINED,
    STATUS_MASK,
)
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.wire.control import UNSEEN
from mbsniff.wire.rows import AGAIN, CLIENT, OPENING, RESET, SERVER

Rows = NDArray[np.int32]
Longs = NDArray[np.int64]
IN_TIME = (ANSWERED, BY_ORDER, PIPELINED)


@dataclass(frozen=True)
class Scene:
    """What the recording shows of a silence and the exchange just before it."""

    case: Case
    device: DeviceFigures
    silence: Silence
    limit_ns: int
    from_ns: int
    until_ns: int
    all_events: Longs
    """Link events of the endpoint, of whichever master, from the last feed, or its reply, to the next."""
    all_rows: Rows
    """The device's requests meanwhile, of whichever master, from the last feed on."""
    told: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)
    """What was made out of it already, by name of the evidence."""

    @functools.cached_property
    def feeders(self) -> Longs:
        """The masters (places in the groups' list) whose requests feed this watchdog, who feed it more than once."""
        groups = self.case.figures.groups
        feeding = [p for p in self.device.polls if p.feeds]
        rows = [p.row for p in feeding if p.count > 1] or [p.row for p in feeding]
        before = int(self.case.exchange.poll[self.silence.before])
        return np.unique(groups.master_of_poll[[*rows, before]])

    @functools.cached_property
    def feeder_lines(self) -> list[Line]:
        """What each of them did."""
        return [self.case.lines.of(master) for master in self.feeders.tolist()]

    @property
    def feeder_names(self) -> str:
        """What to call them."""
        masters = self.case.figures.groups.masters
        names = [self.case.master_name(masters[m]) for m in self.feeders.tolist()]
        return " and ".join(names) if len(names) < 3 else f"the {len(names)} masters that feed it"

    @functools.cached_property
    def events(self) -> Longs:
        """Those link events that are on connections of feeders."""
        if not len(self.all_events):
            return self.all_events
        groups, exchange = self.case.figures.groups, self.case.exchange
        pairs = exchange.connection_pair[self.all_events[:, E_CONNECTION]]
        own = one_of(groups.master_of_pair[pairs], self.feeders)
        return np.asarray(self.all_events[own], np.int64)

    @functools.cached_property
    def rows(self) -> Rows:
        """Those requests that feeders sent."""
        groups, exchange = self.case.figures.groups, self.case.exchange
        own = one_of(groups.master_of_poll[exchange.poll[self.all_rows]], self.feeders)
        return np.asarray(self.all_rows[own], np.int32)

    def of_kind(self, kind: int, side: int) -> Longs:
        """The feeders' link events of one kind by one side."""
        chosen = (self.events[:, E_KIND] == kind) & (self.events[:, E_SIDE] == side)
        return np.asarray(self.events[chosen], np.int64)

    def statuses(self, rows: Rows) -> NDArray[np.uint8]:
        """The statuses of transactions, without marks."""
        return np.asarray(self.case.exchange.status[rows] & STATUS_MASK, np.uint8)

    @functools.cached_property
    def unanswered(self) -> Rows:
        """The feeders' requests to the device without a reply, or with a late one, or after half of the silence."""
        took = self.case.exchange.reply_ns[self.rows]
        at_last = one_of(self.statuses(self.rows), IN_TIME) & (2 * took >= self.until_ns - self.from_ns)
        return np.asarray(self.rows[one_of(self.statuses(self.rows), WITHOUT_REPLY) | at_last], np.int32)

    @functools.cached_property
    def further(self) -> Rows:
        """The feeders' requests after the last feed: those that feed nothing, or not for certain."""
        return np.asarray(self.rows[self.rows != self.silence.before], np.int32)

    @property
    def tenth_ns(self) -> int:
        """A tenth of the silence: what belongs to the exchange before it, and to the return after it."""
        return (self.until_ns - self.from_ns) // 10

    @property
    def early_ns(self) -> int:
        """From when on the silence is well under way."""
        return self.from_ns + self.tenth_ns

    @property
    def nearly_until_ns(self) -> int:
        """Where the silence's last tenth begins, in which masters and devices come back; its end where none did."""
        return self.until_ns - (self.tenth_ns if self.silence.after is not None else 0)

    def amid(self, times: Longs) -> NDArray[np.bool_]:
        """Which times lie well within the silence."""
        return np.asarray((times > self.early_ns) & (times < self.nearly_until_ns), np.bool_)

    @functools.cached_property
    def tried(self) -> tuple[int, int]:
        """From when until when feeders tried in vain: requests without a reply, repetitions, unanswered SYNs.

        Well within the silence where they tried once at most.
        """
        exchange, rows = self.case.exchange, self.unanswered
        times = np.concatenate(
            [
                exchange.request_ns[rows],
                (exchange.request_ns[rows] + exchange.reply_ns[rows])[one_of(self.statuses(rows), IN_TIME)],
                self.of_kind(AGAIN, CLIENT)[:, E_TIME_NS],
                self.unheard[:, E_TIME_NS],
            ]
        )
        times = times[times <= self.until_ns]
        if len(times) and times.min() < times.max():
            return int(times.min()), int(times.max())
        return self.early_ns, self.nearly_until_ns

    def while_tried(self, times: Longs) -> NDArray[np.bool_]:
        """Which times lie between the first and the last try in vain."""
        since, until = self.tried
        return np.asarray((times > since) & (times < until), np.bool_)

    @functools.cached_property
    def is_asked(self) -> bool:
        """Whether feeders' requests that feed nothing, or not for certain, came well within the silence."""
        return bool(self.amid(self.case.exchange.request_ns[self.further]).any())

    @functools.cached_property
    def others(self) -> Rows:
        """Requests of the feeders to other devices meanwhile, in time order."""
        groups, exchange = self.case.figures.groups, self.case.exchange
        found = [line.rows[slice(*line.between(self.from_ns, self.until_ns))] for line in self.feeder_lines]
        rows = np.concatenate([np.zeros(0, np.int32), *found])
        rows = rows[rows >= 0]
        rows = rows[groups.device_of_poll[exchange.poll[rows]] != self.device.index]
        return np.asarray(rows[np.argsort(exchange.request_ns[rows], kind="stable")], np.int32)

    @functools.cached_property
    def endpoint_rows(self) -> Rows:
        """All requests to the endpoint's units meanwhile, of whichever master, in time order."""
        return endpoint_rows(self.case, self.device, self.from_ns, self.until_ns)

    @functools.cached_property
    def attempts(self) -> Longs:
        """The feeders' SYNs, those sent again among them."""
        opened = self.of_kind(OPENING, CLIENT)
        return np.asarray(opened[opened[:, E_AMOUNT] != UNSEEN], np.int64)

    @functools.cached_property
    def unheard(self) -> Longs:
        """Those SYNs that nothing of the device follows on their connection."""
        if not len(self.events):
            return self.events
        order = np.argsort(self.events[:, E_CONNECTION], kind="stable")
        events = self.events[order]
        answered = np.zeros(len(events), np.bool_)
        same = events[1:, E_CONNECTION] == events[:-1, E_CONNECTION]
        answered[:-1] = same & (events[1:, E_SIDE] == SERVER)
        is_syn = (
            (events[:, E_KIND] == OPENING) & (events[:, E_SIDE] == CLIENT) & (events[:, E_AMOUNT] != UNSEEN)
        )
        found = events[is_syn & ~answered]
        return np.asarray(found[np.argsort(found[:, E_TIME_NS], kind="stable")], np.int64)

    @functools.cached_property
    def refusals(self) -> Longs:
        """Resets by the device that answer a feeder's SYN (RFC 9293, 3.5.2)."""
        if not len(self.events):
            return self.events
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


def endpoint_rows(case: Case, device: DeviceFigures, from_ns: int, until_ns: int) -> Rows:
    """Requests to any unit of the device's endpoint in [from, until), of whichever master, in time order."""
    places = np.array([each.index for each in case.devices_at(device)], np.int64)
    rows = case.requests_between(places, from_ns, until_ns)
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) != ORPHAN]
    return np.asarray(rows[np.argsort(case.exchange.request_ns[rows], kind="stable")], np.int32)


def _settled_ns(case: Case, silence: Silence) -> int:
    """From when on link events matter: what went before the last feed's reply did it no harm, if that came in time."""
    status = int(case.exchange.status[silence.before]) & STATUS_MASK
    replied_ns = silence.from_ns + int(case.exchange.reply_ns[silence.before])
    if silence.certain and status in IN_TIME and replied_ns <= silence.until_ns - silence.shortest_ns:
        return replied_ns
    return extent(silence)[0]


def extent(silence: Silence) -> tuple[int, int]:
    """From when until when the device may have been without a feed."""
    if silence.certain or silence.longest_ns is None:
        return silence.from_ns, silence.until_ns
    if silence.after is None:
        return silence.until_ns - silence.longest_ns, silence.until_ns
    return silence.from_ns, silence.from_ns + silence.longest_ns
