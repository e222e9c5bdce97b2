"""A device's transactions and what feeds its watchdog in, its silences out."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import PollKey
from mbsniff.measure import passes as p
from mbsniff.measure.figures import MasterSilence, Silence, Silences
from mbsniff.measure.groups import READS, WRITES, Groups, is_orphan
from mbsniff.site import Limits, Site

MOST_LISTED = 1000  # silences beyond the timeout that are kept one by one, for each device


def limit_ns(limits: Limits) -> int | None:
    """The length beyond which a silence is held against the watchdog: timeout plus tolerance."""
    if not limits.watchdog_ns:
        return None
    return limits.watchdog_ns + round(limits.watchdog_ns * limits.tolerance)


FEEDS, MASTERS = 3, 4  # tables of its own among the groups'


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
    groups: Groups, device: int, limits: Limits, feeds: NDArray[np.int64], starts_ns: int, ends_ns: int,
    scratch: NDArray[np.int64], *, compiled: bool,
) -> Silences:  # fmt: skip
    """All silences of a device between ``starts_ns`` and ``ends_ns``; ``scratch`` holds its transactions."""
    limit = limit_ns(limits)
    longest = np.zeros((1, p.SILENCE_COLUMNS), np.int64)
    longest[0, p.S_UNTIL_NS] = -1  # shorter than none: a silence of length 0 is one
    table = np.zeros((MOST_LISTED, p.SILENCE_COLUMNS), np.int64)
    registers = np.zeros(p.R_COLUMNS, np.int64)
    registers[[p.R_CONFIRMED_NS, p.R_LAST_NS]] = -1
    exchange = groups.exchange
    given = (
        groups.transactions(device), exchange.request_ns, exchange.reply_ns, exchange.poll,
        exchange.status, exchange.exception, feeds, int(limits.fed_by.change),
        int(limits.fed_by.kind == "reply"), int(limits.exceptions_feed),
    )  # fmt: skip
    p.find_confirmations(*given, scratch, compiled=compiled)
    limit_or_none = -1 if limit is None else limit
    p.find_silences(*given, limit_or_none, scratch, longest, table, registers, compiled=compiled)
    listed = [_silence(row) for row in table[: registers[p.R_LISTED]].tolist()]
    end = _end(registers.tolist(), ends_ns, limit)
    certain_since = bool(registers[p.R_CERTAIN_SINCE])
    return Silences(
        feeds=int(registers[p.R_FEEDS]),
        longest=_silence(longest[0].tolist()) if registers[p.R_FEEDS] > 1 else None,
        beyond=sorted(listed, key=lambda s: (s.from_ns, s.until_ns)),
        certain=int(registers[p.R_CERTAIN]),
        possible=int(registers[p.R_POSSIBLE]),
        start_ns=int(registers[p.R_FIRST_NS]) - starts_ns if registers[p.R_FEEDS] else None,
        end=end,
        end_is_due=_due(end, limit, certain_since),
    )


def _silence(row: list[int]) -> Silence:
    return Silence(
        from_ns=row[p.S_FROM_NS],
        until_ns=row[p.S_UNTIL_NS],
        shortest_ns=row[p.S_SHORTEST_NS],
        longest_ns=row[p.S_LONGEST_NS] if row[p.S_LONGEST_NS] >= 0 else None,
        before=row[p.S_BEFORE],
        after=row[p.S_AFTER],
        certain=bool(row[p.S_CERTAIN]),
    )


def _end(registers: list[int], ends_ns: int, limit: int | None) -> Silence | None:
    if not registers[p.R_FEEDS]:
        return None
    shortest = max(ends_ns - registers[p.R_LATEST_NS], 0)
    confirmed_ns = registers[p.R_CONFIRMED_NS]
    return Silence(
        from_ns=registers[p.R_LAST_NS],
        until_ns=ends_ns,
        shortest_ns=shortest,
        longest_ns=ends_ns - confirmed_ns if confirmed_ns >= 0 else None,
        before=registers[p.R_LAST_ROW],
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


def master_silences(
    groups: Groups, device: int, limits: Limits, feeds: NDArray[np.int64], *, compiled: bool
) -> list[MasterSilence]:
    """Each master's own longest silence towards a device that several masters ask."""
    polls = groups.polls_of_device[device]
    masters = sorted({int(groups.master_of_poll[row]) for row in polls if not is_orphan(groups.keys[row])})
    if len(masters) < 2:
        return []
    place = {master: index for index, master in enumerate(masters)}
    places = [place.get(int(groups.master_of_poll[row]), 0) for row in polls]
    longest = np.zeros((len(masters), p.SILENCE_COLUMNS), np.int64)
    longest[:, p.S_LONGEST_NS] = -1
    last = np.full((len(masters), 3), -1, np.int64)
    limit = limit_ns(limits)
    exchange = groups.exchange
    with groups.table(polls, places, place=MASTERS) as place_of_poll:
        p.longest_by_master(
            groups.transactions(device), exchange.request_ns, exchange.reply_ns, exchange.poll,
            exchange.status, feeds, place_of_poll, -1 if limit is None else limit, longest, last,
            compiled=compiled,
        )  # fmt: skip
    return [
        MasterSilence(groups.masters[m], _silence(row), row[p.S_CERTAIN])
        for m, row in zip(masters, longest.tolist(), strict=True)
        if row[p.S_UNTIL_NS] > row[p.S_FROM_NS]
    ]
