"""A Comparison in, the terminal page out: both recordings, devices side by side, what stands out, findings."""

from __future__ import annotations

import textwrap
from collections import Counter

from tabulate import tabulate

from mbsniff.compare import Comparison, DeviceChange, FindingChange, Row
from mbsniff.diagnose import Diagnosis, Verdict
from mbsniff.diagnose.wording import clock, counted, day, duration, listed, named
from mbsniff.errors import one_line
from mbsniff.report.compare_cells import (
    ARROW,
    COLUMNS,
    LEGEND,
    Column,
    change,
    device_title,
    finding_name,
    interval,
    outcome,
    told,
    value,
)
from mbsniff.report.table import CAUTION, wrapped

TITLES = ["figure", "before", "after", "change", "interval", ""]
LEAST_OUTCOME = 12


def comparison_page(comparison: Comparison, width: int, *, every: bool = False) -> str:
    """The page for a terminal of ``width`` columns; ``every``: all figures, not only those that stand out."""
    parts = [head(comparison, width)]
    if comparison.devices:
        parts += [_devices(comparison, width), wrapped(LEGEND, width)]
    parts += [_alone(comparison, width), _figures(comparison, width, every), _findings(comparison, width)]
    if any(finding.change != "unchanged" for finding in comparison.findings):
        parts.append(wrapped(CAUTION, width))
    return "\n\n".join(part for part in parts if part) + "\n"


def head(comparison: Comparison, width: int) -> str:
    """Which recordings, how long, what speaks against comparing them, and the sum of it."""
    lines = [
        f"Before: {recorded(comparison.before)}",
        f"After:  {recorded(comparison.after)}",
        *(f"Doubt: {doubt}." for doubt in comparison.doubts),
        summary(comparison),
    ]
    return "\n".join(wrapped(line, width, "  ") for line in lines)


def recorded(diagnosis: Diagnosis) -> str:
    """Files, time and length of a recording."""
    facts = diagnosis.facts
    files = listed([one_line(file.file) for file in facts.files], 3)
    if facts.starts_ns is None:
        return f"{files}, no frames at all"
    return f"{files}, {day(facts.starts_ns)} {clock(facts.starts_ns)[:8]} UTC, {duration(facts.span_ns)}"


def summary(comparison: Comparison) -> str:
    """How many figures and findings changed."""
    rows = [row for device in comparison.devices for row in device.rows]
    if not rows:
        return "Nothing to compare: no device is in both recordings."
    outcomes = Counter("stand out" if row.stands_out else row.outcome for row in rows)
    words = {
        "stand out": "stand out",
        "same": "the same",
        "not clear": "not clear",
        "cannot tell": "cannot be told",
    }
    parts = [f"{outcomes[key]} {text}" for key, text in words.items() if outcomes[key]]
    changes = Counter(finding.change for finding in comparison.findings)
    found = [
        f"{changes[key]} {key}" for key in ("new", "worse", "gone", "better", "unchanged") if changes[key]
    ]
    nothing = not outcomes["stand out"] and not set(changes) - {"unchanged"}
    return (
        f"{'Nothing changed that stands out. ' if nothing else ''}"
        f"{counted(len(comparison.devices), 'device')} in both, {counted(len(rows), 'figure')}: "
        f"{', '.join(parts)}. Findings: {', '.join(found) or 'none'}."
    )


def _devices(comparison: Comparison, width: int) -> str:
    """A row a device, with as many columns as fit."""
    columns = list(COLUMNS)
    while True:
        text = _tabulated(comparison.devices, columns)
        if max(map(len, text.splitlines())) <= width or len(columns) <= 3:
            return text
        columns.remove(max(columns, key=lambda column: column.rank))


def _tabulated(devices: list[DeviceChange], columns: list[Column]) -> str:
    rows = [[column.cell(device) for column in columns] for device in devices]
    return ruled([[column.title for column in columns], *rows])


def ruled(rows: list[list[str]]) -> str:
    """Titles over a rule over the rows."""
    lines = tabulate(rows, tablefmt="plain", disable_numparse=True).splitlines()
    lines = [line.rstrip() for line in lines]
    lines.insert(1, "-" * max(map(len, lines)))
    return "\n".join(lines)


def _alone(comparison: Comparison, width: int) -> str:
    """Devices that one recording lacks."""
    sides = (("before", comparison.only_before), ("after", comparison.only_after))
    lines = [f"Only {word}: {listed([_name(v) for v in side], 20)}." for word, side in sides if side]
    return "\n".join(wrapped(line, width, "  ") for line in lines)


def _name(verdict: Verdict) -> str:
    return named(verdict.figures.key, verdict.figures.name)


def _figures(comparison: Comparison, width: int, every: bool) -> str:
    """The figures of each device, and how their intervals are meant."""
    tables = []
    for device in comparison.devices:
        rows = [row for row in device.rows if every or told(row)]
        if rows:
            tables.append(f"{_title(device)}\n{_rows(rows, width)}")
    if not tables:
        return ""
    return "\n\n".join(
        [*(wrapped_table(table, width) for table in tables), wrapped(meaning(comparison), width)]
    )


def _title(device: DeviceChange) -> str:
    before, after = device.blocks
    count = f"{before}" if before == after else f"{before} and {after}"
    return f"{device_title(device)}: {count} blocks of {duration(device.block_ns)}"


def wrapped_table(table: str, width: int) -> str:
    """A table whose first line, its title, is wrapped."""
    title, rest = table.split("\n", 1)
    return f"{wrapped(title, width, '  ')}\n{rest}"


def _rows(rows: list[Row], width: int) -> str:
    """The rows with the interval, or without it where there is no room; reasons go on in further lines."""
    cells = [[*_cells(row), outcome(row)] for row in rows]
    for left_out in ((), (4,), (4, 3)):
        kept = [i for i in range(5) if i not in left_out]
        narrow = ruled([[TITLES[i] for i in kept], *([row[i] for i in kept] for row in cells)])
        room = width - max(map(len, narrow.splitlines())) - 2
        if room >= LEAST_OUTCOME:
            break
    room = max(room, LEAST_OUTCOME)
    return ruled([
        [*(TITLES[i] for i in kept), TITLES[5]],
        *([*(row[i] for i in kept), wrapped_cell(row[5], room)] for row in cells),
    ])  # fmt: skip


def wrapped_cell(text: str, room: int) -> str:
    """A cell's text in lines that fit."""
    return "\n".join(textwrap.wrap(text, room)) or text


def _cells(row: Row) -> list[str]:
    figure = row.figure
    return [figure.title, value(figure, row.before), value(figure, row.after), change(row), interval(row)]


def meaning(comparison: Comparison) -> str:
    """What the intervals hold, in a sentence."""
    return (
        f"Intervals hold the change with {100 * (1 - comparison.alpha):.4g} % each, so that of the changes called "
        "one at most 1 in 20 is expected to be none; × is how many times as often. Maxima of a block are means over "
        "the blocks. Single extremes are those of a stretch as long as the shorter recording; they stand out where "
        "the maxima of the blocks do."
    )


def _findings(comparison: Comparison, width: int) -> str:
    """What was found, by what became of it."""
    if not comparison.findings:
        return "No findings in either recording." if comparison.devices else ""
    return "\n".join(wrapped(_finding(finding), width, "   ") for finding in comparison.findings)


def _finding(finding: FindingChange) -> str:
    text = f"{finding.change}: {finding.level} {finding_name(finding)}, {named(finding.device, finding.name)}"
    if finding.before and finding.after and finding.before != finding.after:
        text += f", {finding.before} {ARROW} {finding.after} times"
    elif max(finding.before, finding.after) > 1:
        text += f", {max(finding.before, finding.after)} times"
    return f"{text} ({finding.why})" if finding.why else text
