"""A compared figure in, its value, change and interval as words out; the columns of the comparison's tables."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.compare import DeviceChange, FindingChange, Row
from mbsniff.compare.catalogue import Figure, Unit
from mbsniff.diagnose.wording import duration
from mbsniff.errors import one_line

NONE = "-"
ARROW = "→"
MARKS = {"worse": "!", "better": "+", "higher": "^", "lower": "v", "not clear": "~", "cannot tell": "?"}
LEGEND = (
    "! worse, + better, ^ higher, v lower: the change is more than the variation within each recording, and large "
    "enough to matter. ~ not clear: it may be variation, or too small to matter. ? cannot be told. No mark: the same."
)


def _number(value: float, unit: str = "") -> str:
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
    return f"{text}{unit}"


def _share(value: float) -> str:
    return _number(100 * value, " %")


def _ratio(value: float) -> str:
    return f"{value:.2f}"


def _length(value: float) -> str:
    return duration(round(value))


_WORDS: dict[Unit, Callable[[float], str]] = {
    "per s": lambda v: _number(v, "/s"),
    "per h": lambda v: _number(v, "/h"),
    "reads": _number,
    "polls": _number,
    "ns": _length,
    "share": _share,
    "ratio": _ratio,
}


def value(figure: Figure, amount: float | None) -> str:
    """A figure's value with its unit."""
    if amount is None:
        return NONE
    text = _WORDS[figure.unit](abs(amount))
    return f"−{text}" if amount < 0 and any(c in "123456789" for c in text) else text


def change(row: Row) -> str:
    """The change with its sign."""
    if row.change is None:
        return NONE
    text = _signed(row.figure, row.change)
    return text.replace(" %", " points")  # a difference of shares is no share


def interval(row: Row) -> str:
    """From where to where the change may lie; for events, how many times as often."""
    if row.interval is None:
        return NONE
    low, high = row.interval
    if row.figure.kind == "events":
        upper = "any" if math.isinf(high) else _number(high)
        return f"× {_number(low)} to {upper}"
    return f"{_signed(row.figure, low)} to {_signed(row.figure, high)}"


def _signed(figure: Figure, amount: float) -> str:
    if math.isinf(amount):
        return "any"
    return f"{'+' if amount > 0 else ''}{value(figure, amount)}"


def outcome(row: Row) -> str:
    """What became of it, and why where that is not plain."""
    return f"{row.outcome}: {row.why}" if row.why and row.outcome != "same" else row.outcome


def device_title(device: DeviceChange) -> str:
    """Site name and address, and where it was before if it moved."""
    before = _short(device.before.figures.key, device.before.figures.port)
    return f"{_named(device)}, before {before}" if device.moved else _named(device)


def device_name(device: DeviceChange) -> str:
    """Site name and address, and whether it moved."""
    return f"{_named(device)} (moved)" if device.moved else _named(device)


def _named(device: DeviceChange) -> str:
    where = _short(device.after.figures.key, device.after.figures.port)
    return f"{one_line(device.name)} {where}" if device.name else where


def _short(key: str, port: int) -> str:
    return key.replace(":502/", "/") if port == 502 else key


def finding_name(finding: FindingChange) -> str:
    """Code, and cause where there is one."""
    return f"{finding.code} ({finding.cause})" if finding.cause else finding.code


def told(row: Row) -> bool:
    """Whether the figure is told without being asked for: it stands out, or would matter if it did."""
    return row.stands_out or (row.matters and row.outcome == "not clear")


@dataclass(frozen=True)
class Column:
    """One column of the table of devices; the highest ``rank`` goes first where the terminal is narrow."""

    title: str
    cell: Callable[[DeviceChange], str]
    rank: int


def _both(device: DeviceChange, key: str) -> str:
    """Before and after in one cell, with a mark for what became of it."""
    row = next((row for row in device.rows if row.figure.key == key), None)
    if row is None:
        return NONE
    before, after = value(row.figure, row.before), value(row.figure, row.after)
    mark = f" {MARKS[row.outcome]}" if row.outcome in MARKS else ""
    (number, unit), unit_after = _parts(before), _parts(after)[1]
    if before == after:
        return f"{after}{mark}"
    return f"{number if unit == unit_after else before} {ARROW} {after}{mark}"


def _parts(text: str) -> tuple[str, str]:
    """A number and its unit, where the unit stands apart or after a slash."""
    for separator in (" ", "/"):
        number, found, unit = text.partition(separator)
        if found and " " not in unit:
            return number, separator + unit
    return text, ""


def _state(device: DeviceChange) -> str:
    before, after = device.before.state, device.after.state
    return after if before == after else f"{before} {ARROW} {after}"


def _figure(title: str, key: str, rank: int) -> Column:
    return Column(title, lambda device: _both(device, key), rank)


COLUMNS: tuple[Column, ...] = (
    Column("state", _state, 0),
    Column("device", device_name, 1),
    _figure("reads", "reads_per_s", 3),
    _figure("reply median", "reply_median", 4),
    _figure("longest silence", "longest_silence", 2),
    _figure("spare polls", "spare_polls", 5),
    _figure("no reply", "unanswered_share", 6),
    _figure("exceptions", "exceptions_per_h", 7),
    _figure("busiest second", "busiest_second", 8),
)
