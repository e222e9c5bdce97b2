"""A Verdict in, its cells out: the columns of the diagnosis table, as one table of their own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.diagnose import Verdict
from mbsniff.diagnose.load import largest_block
from mbsniff.diagnose.wording import between, clock, duration
from mbsniff.errors import one_line

CERTAINTY_MARKS = {"certain": "!", "likely": "~", "open": "?"}
NONE = "-"


@dataclass(frozen=True)
class Column:
    """One column: ``rank`` tells which go first where the terminal is narrow (the highest)."""

    title: str
    cell: Callable[[Verdict], str]
    meaning: str
    rank: int
    right: bool = False


def _state(verdict: Verdict) -> str:
    return f"{verdict.state} [{verdict.incident}]" if verdict.with_others else verdict.state


def _device(verdict: Verdict) -> str:
    figures = verdict.figures
    where = figures.key.replace(":502/", "/") if figures.port == 502 else figures.key
    return f"{one_line(figures.name)} {where}" if figures.name else where


def _when(verdict: Verdict) -> str:
    return NONE if verdict.when_ns is None else clock(verdict.when_ns)[:8]


def _why(verdict: Verdict) -> str:
    if verdict.why is None or verdict.certainty is None:
        return NONE
    return f"{verdict.why} {CERTAINTY_MARKS[verdict.certainty]}"


def _silence(verdict: Verdict) -> str:
    longest = verdict.figures.silences.longest
    if longest is None:
        return NONE
    return between(longest.shortest_ns, longest.longest_ns).replace(" to ", "-").replace(" or more", "+")


def _watchdog(verdict: Verdict) -> str:
    timeout = verdict.figures.limits.watchdog_ns
    if timeout is None:
        return "unknown"
    return "never" if timeout == 0 else duration(timeout)


def _spare(verdict: Verdict) -> str:
    return NONE if verdict.spare_polls is None else str(verdict.spare_polls)


def _unanswered(verdict: Verdict) -> str:
    figures = verdict.figures
    return f"{figures.statuses['unanswered']}/{figures.requests}"


def _of_limit(value: int | None, limit: float | None) -> str:
    if value is None:
        return NONE
    return f"{value}" if limit is None else f"{value}/{limit:g}"


def _busiest(verdict: Verdict) -> str:
    return _of_limit(verdict.figures.busiest.reads, verdict.figures.limits.max_reads_per_s)


def _block(verdict: Verdict) -> str:
    return _of_limit(largest_block(verdict.figures), verdict.figures.limits.max_block)


def _reply(verdict: Verdict) -> str:
    reply = verdict.figures.reply
    return NONE if reply is None else duration(reply.p99)


COLUMNS: tuple[Column, ...] = (
    Column("state", _state, "due, risk, open or fine; [n]: one of several devices of incident n", 0),
    Column("device", _device, "name, address and unit", 1),
    Column("when", _when, "when the worst finding begins, UTC", 3),
    Column("why", _why, "the worst finding: ! certain, ~ likely, ? open", 2),
    Column("longest silence", _silence, "shortest to longest possible, between feeds", 4, right=True),
    Column("trips after", _watchdog, "the watchdog's timeout", 5, right=True),
    Column("spare polls", _spare, "polls that might still have gone missing", 6, right=True),
    Column("no reply", _unanswered, "requests without a reply / all requests", 7, right=True),
    Column("busiest second", _busiest, "most reads in a second / limit", 8, right=True),
    Column("largest block", _block, "most registers in a read / limit", 9, right=True),
    Column("reply p99", _reply, "99th percentile of the reply time", 10, right=True),
)
