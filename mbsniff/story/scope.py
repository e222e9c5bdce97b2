"""A device and a silence, or a stretch of time, in; the last healthy exchange before it and the first after it out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.exchange.columns import ANSWERED, BY_ORDER, CHANGED, ORPHAN, PIPELINED, STATUS_MASK
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.site import Register

HEALTHY = (ANSWERED, BY_ORDER, PIPELINED)  # a reply in time
LEAD_NS, TAIL_NS = 5_000_000_000, 3_000_000_000  # seconds around that are told of as well

Rows = NDArray[np.int32]


@dataclass(frozen=True)
class Scope:
    """What is told of: a stretch of time of one device."""

    case: Case
    device: DeviceFigures
    silence: Silence | None
    """None where a moment without a silence is told of."""
    limit_ns: int | None
    """Beyond which a silence is held against the watchdog."""
    master: str | None
    """Whose silence it is: a row of the groups' masters by address; None: everybody's."""
    last: int | None
    """Transaction of the last healthy exchange, None where the recording has none."""
    first: int | None
    """Transaction of the first healthy exchange afterwards."""
    from_ns: int
    """The last healthy request, or where the moment begins."""
    until_ns: int
    """The reply of the first healthy exchange, or where the moment or the recording ends."""
    feeding: NDArray[np.bool_]
    """Shape (polls of the recording,): whether a poll's requests feed this watchdog; those of ``master`` alone."""
    is_doubted: bool = False
    """Whether the recording itself lacks what could have fed the watchdog."""

    @property
    def lead_ns(self) -> int:
        """From when on context is told."""
        return self.from_ns - LEAD_NS

    @property
    def tail_ns(self) -> int:
        """Until when context is told."""
        return self.until_ns + TAIL_NS

    @property
    def registers(self) -> tuple[Register, ...]:
        """The device's declared registers."""
        return self.case.site.registers_for(self.device.address, self.device.port, self.device.units[0])

    @property
    def master_of_poll(self) -> NDArray[np.int64]:
        """Rows of the groups' masters, by poll."""
        return self.case.figures.groups.master_of_poll

    @property
    def feeding_masters(self) -> list[int]:
        """Rows of the groups' masters whose requests feed this watchdog, the most frequent first."""
        groups = self.case.figures.groups
        counts: dict[int, int] = {}
        for poll in self.device.polls:
            if self.feeding[poll.row]:
                master = int(groups.master_of_poll[poll.row])
                counts[master] = counts.get(master, 0) + poll.count
        return sorted(counts, key=lambda m: -counts[m])

    def rows(self, from_ns: int, until_ns: int) -> Rows:
        """The device's requests in [from, until), in time order."""
        own = np.array([self.device.index], np.int64)
        rows = self.case.requests_between(own, from_ns, until_ns)
        return np.asarray(rows[(self.case.exchange.status[rows] & STATUS_MASK) != ORPHAN], np.int32)

    def kinds(self, rows: Rows) -> NDArray[np.uint8]:
        """Statuses without marks."""
        return np.asarray(self.case.exchange.status[rows] & STATUS_MASK, np.uint8)


def feeds_of(case: Case, device: DeviceFigures, master: str | None) -> tuple[NDArray[np.bool_], Rows]:
    """(which polls feed the watchdog, the feeding requests in time order), of all masters or of one (address)."""
    groups = case.figures.groups
    feeding = np.zeros(len(groups.keys), np.bool_)
    feeding[[poll.row for poll in device.polls if poll.feeds]] = True
    if master is not None:
        feeding &= groups.master_of_poll == groups.masters.index(master)
    rows = case.transactions(device)
    rows = rows[feeding[case.exchange.poll[rows]]]
    if device.limits.fed_by.change:
        rows = rows[(case.exchange.status[rows] & CHANGED) != 0]
    return feeding, np.asarray(rows, np.int32)


def healthy(case: Case, device: DeviceFigures, rows: Rows) -> Rows:
    """Those of the requests that a reply in time confirms; an exception only where the site says that it does."""
    fine = np.isin(case.exchange.status[rows] & STATUS_MASK, HEALTHY)
    if not device.limits.exceptions_feed:
        fine &= case.exchange.exception[rows] == 0
    return np.asarray(rows[fine], np.int32)


def scope_of_silence(
    case: Case, device: DeviceFigures, silence: Silence, limit_ns: int | None, master: str | None = None
) -> Scope:
    """From the last healthy exchange before a silence to the first one after it."""
    feeding, feeds = feeds_of(case, device, master)
    times, fine = case.exchange.request_ns, healthy(case, device, feeds)
    place = int(np.searchsorted(times[fine], silence.from_ns, side="right"))
    last = int(fine[place - 1]) if place else None
    place = int(np.searchsorted(times[fine], silence.until_ns, side="left"))
    first = int(fine[place]) if place < len(fine) and silence.after is not None else None
    return Scope(
        case, device, silence, limit_ns, master, last, first,
        from_ns=int(times[last]) if last is not None else min(silence.from_ns, case.facts.starts_ns or 0),
        until_ns=int(times[first] + case.exchange.reply_ns[first])
        if first is not None else max(silence.until_ns, case.facts.ends_ns or 0),
        feeding=feeding,
    )  # fmt: skip


def scope_of_moment(case: Case, device: DeviceFigures, from_ns: int, until_ns: int) -> Scope:
    """A stretch of time in which the device was not without feeds."""
    feeding, _ = feeds_of(case, device, None)
    return Scope(case, device, None, None, None, None, None, from_ns, until_ns, feeding)
