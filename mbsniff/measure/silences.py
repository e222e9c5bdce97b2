"""A device's transactions and what feeds its watchdog in, its silences out."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import PollKey
from mbsniff.measure import feeds as f
from mbsniff.measure.fed import feeds_by
from mbsniff.measure.figures import MasterSilence, Silence, Silences
from mbsniff.measure.groups import READS, WRITES, Groups, is_orphan
from mbsniff.measure.reach import settled
from mbsniff.site import Limits, Site

MOST_LISTED = 1000  # silences beyond the timeout that are kept one by one, for each device


def limit_ns(limits: Limits) -> int | None:
    """The length beyond which a silence is held against the watchdog: timeout plus tolerance."""
    if not limits.watchdog_ns:
        return None
    return limits.watchdog_ns + round(limits.watchdog_ns * limits.tolerance)


FEEDERS = 3  # a table of its own among the groups'


def feeding_polls(groups: Groups, site: Site, device: int, limits: Limits) -> list[bool]:
    """Whether each poll of the device, in the groups' order, is one whose requests feed its watchdog."""
    feeds = []
    masters = site.addresses_of_master(limits.fed_by.master) if limits.fed_by.master else None
    for row in groups.polls_of_device[device]:
        key = groups.keys[row]
        client = groups.exchange.pairs[key.pair].client
        feeds.append(_feeds(key, limits) and (masters is None or client in masters))
    return feeds


def _feeds(key: PollKey, limits: Limits) -> bool:
    fed = limits.fed_by
    if is_orphan(key):
        return False
    start, quantity = key.start, key.quantity
    if fed.kind == "read" and key.function not in READS:
        return False
    if fed.kind == "write":
        if key.function not in WRITES:
            return False
        if key.function == 23:
            start, quantity = key.write_start, key.write_quantity
    if not fed.ranges:
        return True
    last = start + max(quantity, 1) - 1
    return start >= 0 and any(first <= last and start <= end for first, end in fed.ranges)


def silences(
    groups: Groups, device: int, limits: Limits, feeds: list[bool], starts_ns: int, ends_ns: int,
    scratch: NDArray[np.int64], *, compiled: bool,
) -> tuple[Silences, list[MasterSilence]]:  # fmt: skip
    """All silences of a device between ``starts_ns`` and ``ends_ns``, and each master's own longest one.

    ``feeds`` is of `feeding_polls`; ``scratch`` has room for the device's transactions. Masters have silences
    of their own where there are several.
    """
    limit = limit_ns(limits)
    masters, feeder = _feeders(groups, device, feeds)
    with groups.table(groups.polls_of_device[device], feeder, rest=-1, place=FEEDERS) as feeder_of_poll:
        found = _Found(len(masters))
        found.find(groups, device, limits, feeder_of_poll, scratch, compiled)
    registers = found.registers.tolist()
    listed = [_silence(row) for row in found.table[: registers[f.R_LISTED]].tolist()]
    end = _end(registers, ends_ns, limit)
    of_masters = [
        MasterSilence(groups.masters[m], _silence(row), row[f.S_CERTAIN])
        for m, row in zip(masters, found.masters.tolist(), strict=False)
        if row[f.S_UNTIL_NS] > row[f.S_FROM_NS]
    ]
    told = Silences(
        feeds=registers[f.R_FEEDS],
        longest=_silence(found.longest[0].tolist()) if registers[f.R_FEEDS] > 1 else None,
        beyond=sorted(listed, key=lambda s: (s.from_ns, s.until_ns)),
        certain=registers[f.R_CERTAIN],
        possible=registers[f.R_POSSIBLE],
        start_ns=registers[f.R_FIRST_NS] - starts_ns if registers[f.R_FEEDS] else None,
        end=end,
        end_is_due=_due(end, limit, bool(registers[f.R_CERTAIN_SINCE])),
    )
    if limit is not None and (told.possible or told.end_is_due == "possible"):
        polls = groups.polls_of_device[device]
        feeding = [row for row, fed in zip(polls, feeds, strict=True) if fed]
        told = settled(told, feeds_by(groups, device, feeding, limits), limit)
    return told, of_masters


def _feeders(groups: Groups, device: int, feeds: list[bool]) -> tuple[list[int], list[int]]:
    """The device's masters, and for each of its polls which of them feeds by it, -1 where it does not feed."""
    polls = groups.polls_of_device[device]
    masters = sorted({int(groups.master_of_poll[row]) for row in polls if not is_orphan(groups.keys[row])})
    place = {master: index for index, master in enumerate(masters)}
    owners = groups.master_of_poll[polls].tolist()
    return masters, [place[m] if fed else -1 for m, fed in zip(owners, feeds, strict=True)]


class _Found:
    """What the loop over a device's feeds fills."""

    def __init__(self, masters: int) -> None:
        self._count = masters if masters > 1 else 0
        self._clear()

    def _clear(self) -> None:
        self.longest = np.zeros((1, f.SILENCE_COLUMNS), np.int64)
        self.table = np.empty((MOST_LISTED, f.SILENCE_COLUMNS), np.int64)
        self.masters = np.zeros((self._count, f.MASTER_COLUMNS), np.int64)
        self.masters[:, [f.M_LAST_NS, f.M_LATEST_NS]] = -1
        self.registers = np.zeros(f.R_COLUMNS, np.int64)

    def find(
        self, groups: Groups, device: int, limits: Limits, feeder: NDArray[np.int64],
        scratch: NDArray[np.int64], compiled: bool,
    ) -> None:  # fmt: skip
        """Go through the device's transactions: once where no silence is beyond the limit."""
        exchange, limit = groups.exchange, limit_ns(limits)
        given = (
            groups.transactions(device), exchange.request_ns, exchange.reply_ns, exchange.poll,
            exchange.status, exchange.exception, feeder, int(limits.fed_by.change),
            int(limits.fed_by.kind == "reply"), int(limits.exceptions_feed),
        )  # fmt: skip
        earliest_ns = scratch[:0]
        while f.find_silences(
            *given, -1 if limit is None else limit, earliest_ns, self.longest, self.table, self.masters,
            self.registers, compiled=compiled,
        ) == f.LOOK_AHEAD:  # fmt: skip
            earliest_ns = scratch
            f.find_confirmations(*given, earliest_ns, compiled=compiled)
            self._clear()


def _silence(row: list[int]) -> Silence:
    return Silence(
        from_ns=row[f.S_FROM_NS],
        until_ns=row[f.S_UNTIL_NS],
        shortest_ns=row[f.S_SHORTEST_NS],
        longest_ns=row[f.S_LONGEST_NS] if row[f.S_LONGEST_NS] >= 0 else None,
        before=row[f.S_BEFORE],
        after=row[f.S_AFTER],
        certain=bool(row[f.S_CERTAIN]),
    )


def _end(registers: list[int], ends_ns: int, limit: int | None) -> Silence | None:
    if not registers[f.R_FEEDS]:
        return None
    shortest = max(ends_ns - registers[f.R_LATEST_NS], 0)
    confirmed_ns = registers[f.R_CONFIRMED_NS]
    return Silence(
        from_ns=registers[f.R_LAST_NS],
        until_ns=ends_ns,
        shortest_ns=shortest,
        longest_ns=ends_ns - confirmed_ns if confirmed_ns >= 0 else None,
        before=registers[f.R_LAST_ROW],
        after=None,
        certain=limit is not None and shortest > limit,
    )


def _due(
    end: Silence | None, limit: int | None, certain_since: bool
) -> Literal["certain", "possible"] | None:
    """An open end counts like a silence, as if a confirmed feed came right after it."""
    if end is None or limit is None:
        return None
    if end.certain:
        return "certain"
    if certain_since:  # told already
        return None
    return "possible" if end.longest_ns is not None and end.longest_ns > limit else None
