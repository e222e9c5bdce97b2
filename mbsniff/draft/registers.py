"""Addresses that were used alike → register tables of a drafted site file."""

from __future__ import annotations

from collections.abc import Sequence

from mbsniff.diagnose.wording import between, counted, duration
from mbsniff.draft.comments import comment, entry
from mbsniff.draft.observed import Observed, Use
from mbsniff.measure.addresses import read_block
from mbsniff.measure.figures import PollFigures
from mbsniff.site.register import BITS, WRITABLE

_MOST_POLLS = 5


def register_tables(inside: str, uses: tuple[Use, ...], members: Sequence[Observed]) -> list[str]:
    """The lines of [[device.register]] or [[family.register]], one table a use."""
    lines: list[str] = []
    for use in uses:
        lines += [f"[[{inside}.register]]", *_about(use, members), ""]
    return lines


def _about(use: Use, members: Sequence[Observed]) -> list[str]:
    lines = entry("name", None, "manual; several tables where these are several values")
    lines += entry("table", f'"{use.table}"') + entry("first", f"{use.first}", "protocol address, from 0")
    lines += entry("count", f"{use.count}")
    if use.written:
        lines += entry("access", '"rw"', "written" if use.read else "written; never read here")
        lines += entry("minimum", None, f"manual or recipe, in engineering units{_values(use, members)}")
        lines += entry("maximum", None)
    elif use.table in WRITABLE:
        lines += entry("access", None, 'manual: "rw" or "ro"; only read here')
    if use.table not in BITS:
        lines += entry("type", None, 'manual: "uint16" where not given; scale and engineering_unit as well')
    if use.read:
        lines += entry("period_s", None, "how often it is wanted, for mbsniff plan")
    return lines + [line for text in _polls(use, members) for line in comment(text)]


def _values(use: Use, members: Sequence[Observed]) -> str:
    """Raw values written one register at a time, where the use is a single register."""
    ranges = [m.values[use.first] for m in members if use.first in m.values]
    if use.count > 1 or use.table != "holding" or not ranges:
        return ""
    return f"; observed: raw {min(low for low, _ in ranges)} to {max(high for _, high in ranges)}"


def _polls(use: Use, members: Sequence[Observed]) -> list[str]:
    """What polled it, one line for each kind of poll over all devices."""
    told: dict[str, list[int | None]] = {}
    for poll in (poll for member in members for poll in member.polls[use]):
        told.setdefault(_what(poll), []).append(poll.period.median if poll.period else None)
    lines = [f"Observed: {what}{_periods(periods, len(members))}" for what, periods in told.items()]
    more = len(lines) - _MOST_POLLS
    return lines[:_MOST_POLLS] + ([f"and {counted(more, 'other poll')}"] if more > 0 else [])


def _what(poll: PollFigures) -> str:
    does = "reads" if read_block(poll) else "writes"
    quantity = poll.quantity or 1
    where = f"{poll.start}" if quantity == 1 else f"{poll.start} to {(poll.start or 0) + quantity - 1}"
    if poll.write_start is not None:
        does, where = "reads and writes", f"{where}, and {poll.write_start} on"
    return f"{poll.master} {does} {where} (function {poll.function}), {poll.kind}"


def _periods(periods: list[int | None], devices: int) -> str:
    known = [period for period in periods if period is not None]
    often = f", every {_spread(min(known), max(known))}" if known else ""
    return often + (f"; at {counted(len(periods), 'device')}" if devices > 1 else "")


def _spread(low: int, high: int) -> str:
    """Median periods of several devices: one length where they are the same to a tenth."""
    return duration(high) if 10 * (high - low) < high else between(low, high)
