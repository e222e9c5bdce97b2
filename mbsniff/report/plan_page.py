"""A Plan in, the terminal page out: before and after, the poll list, what stands in the way, notes."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.diagnose.wording import counted
from mbsniff.plan import DevicePlan, Numbers, Plan, PlannedPoll
from mbsniff.report.plan_words import (
    CAUTION,
    NONE,
    asks,
    called,
    length,
    notes,
    obstacles,
    period,
    together,
    who,
)
from mbsniff.report.table import ruled, wrapped

_LEGEND = (
    "Before → after, where there is a before; / limit. Reads and registers a second are those of cyclic polls. Busiest "
    "second and busy share are those of the whole endpoint, afterwards at the worst: every period as uneven as it was "
    "seen to be, and the masters' clocks as they stand worst to each other."
)
_MOST_LISTED = 40
_NARROWEST = 16
_TITLES = (
    ("function", True), ("addresses", True), ("wanted", True), ("every", True), ("begins at", True), ("devices", False)
)  # fmt: skip


@dataclass(frozen=True)
class _Column:
    title: str
    cell: Callable[[DevicePlan], str]
    rank: int
    """Which go first where the terminal is narrow (the highest)."""


def _both(device: DevicePlan, shown: Callable[[Numbers], str]) -> str:
    before = shown(device.before) if device.before else ""
    return f"{before} → {shown(device.after)}" if before else shown(device.after)


def _limited(text: str, limit: float | None) -> str:
    return text if limit is None else f"{text} / {limit:g}"


def _number(value: float | None) -> str:
    return NONE if value is None else f"{value:.3g}" if isinstance(value, float) else str(value)


def _second(device: DevicePlan) -> str:
    text = _both(device, lambda n: str(n.second))
    return _limited(text, device.limit.second if device.limit else None)


def _block(device: DevicePlan) -> str:
    return _limited(_both(device, lambda n: _number(n.largest_block)), device.target.limits.max_block)


def _busy(numbers: Numbers) -> str:
    return NONE if numbers.busy_share is None else f"{100 * numbers.busy_share:.2g} %"


_COLUMNS = (
    _Column("device", lambda d: called(d.target), 0),
    _Column("polls", lambda d: _both(d, lambda n: str(n.polls)), 1),
    _Column("reads/s", lambda d: _both(d, lambda n: f"{n.reads_per_s:.3g}"), 2),
    _Column("registers/s", lambda d: _both(d, lambda n: f"{n.registers_per_s:.3g}"), 4),
    _Column("busiest second", _second, 3),
    _Column("busy share", lambda d: _both(d, _busy), 6),
    _Column("spare polls", lambda d: _both(d, lambda n: _number(n.spare_polls)), 5),
    _Column("largest block", _block, 7),
)


def plan_page(plan: Plan, width: int) -> str:
    """The page for a terminal of ``width`` columns."""
    if not plan.devices:
        return wrapped(_nothing(), width) + "\n"
    parts = [_figures(plan, width), wrapped(_LEGEND, width)]
    parts += [_list(plan, width)] if plan.polls else [wrapped(_nothing(), width)]
    parts += [wrapped(text, width, "  ") for text in (*obstacles(plan), *notes(plan))]
    parts.append(wrapped(CAUTION, width))
    return "\n\n".join(parts) + "\n"


def _nothing() -> str:
    return (
        "Nothing to plan: no device is read cyclically in the recording, and no register of the site file has a "
        "period_s."
    )


def _figures(plan: Plan, width: int) -> str:
    columns = list(_COLUMNS)
    while True:
        rows = [[column.cell(device) for column in columns] for device in plan.devices]
        text = ruled([(column.title, column.rank > 0) for column in columns], rows)
        if max(len(line) for line in text.splitlines()) <= width or len(columns) <= 4:
            return text
        columns.remove(max(columns, key=lambda column: column.rank))


def _list(plan: Plan, width: int) -> str:
    """The poll list, a table a master, in which devices that it polls alike stand in one row."""
    by_master: dict[str, list[PlannedPoll]] = {}
    for poll in plan.polls:
        by_master.setdefault(poll.master, []).append(poll)
    devices = counted(len({poll.target for poll in plan.polls}), "device")
    parts = [f"{counted(len(plan.polls), 'poll')} of {devices}:"]
    parts += [f"{who(polls[0])}\n\n{_table(polls, plan, width)}" for polls in by_master.values()]
    return "\n\n".join(parts)


def _table(polls: list[PlannedPoll], plan: Plan, width: int) -> str:
    alike: dict[tuple[object, ...], list[PlannedPoll]] = {}
    for poll in polls:
        key = (poll.function, poll.first, poll.count, poll.period_ns, poll.offset_ns, poll.wanted_ns)
        alike.setdefault(key, []).append(poll)
    rows = [[*_cells(same[0]), _devices(same, plan)] for same in alike.values()]
    others = max(len(line) for line in ruled(_TITLES, [[*row[:-1], ""] for row in rows]).splitlines())
    room = max(width - others + len(_TITLES[-1][0]), _NARROWEST)
    return ruled(_TITLES, [[*row[:-1], textwrap.fill(row[-1], room, break_on_hyphens=False)] for row in rows])


def _cells(poll: PlannedPoll) -> list[str]:
    bridged = poll.count > poll.wanted_count
    wanted = f"{poll.wanted_count} of {poll.count}" if bridged else f"all {poll.count}"
    return [str(poll.function), asks(poll), wanted, period(poll), length(poll.offset_ns)]


def _devices(polls: list[PlannedPoll], plan: Plan) -> str:
    return together(tuple(dict.fromkeys(poll.target for poll in polls)), plan, _MOST_LISTED)
