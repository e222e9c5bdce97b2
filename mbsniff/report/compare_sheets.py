"""A Comparison in, CSV and Markdown out: a line a figure, for spreadsheets; the page's tables, for documents."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tabulate import tabulate

from mbsniff.compare import Comparison
from mbsniff.report.compare_cells import (
    COLUMNS,
    LEGEND,
    change,
    device_name,
    finding_name,
    interval,
    outcome,
    told,
    value,
)
from mbsniff.report.compare_json import comparison_dict
from mbsniff.report.compare_table import meaning, recorded, summary
from mbsniff.report.sheets import inert, markdown_safe
from mbsniff.report.table import CAUTION

if TYPE_CHECKING:  # pandas takes a third of a second to import, and only CSV needs it
    import pandas as pd

_FIGURE_TITLES = ("device", "figure", "before", "after", "change", "interval", "outcome")
_FINDING_TITLES = ("change", "level", "finding", "device", "before", "after", "note")


def comparison_csv(comparison: Comparison) -> str:
    """One line a figure of a device, with the names of the JSON; absent values are empty."""
    return str(comparison_frame(comparison).map(inert).to_csv(index=False, lineterminator="\n"))


def comparison_frame(comparison: Comparison) -> pd.DataFrame:
    """A row a figure, devices worst first; dtype object."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    for device in comparison_dict(comparison)["devices"]:
        own = {key: part for key, part in device.items() if key != "figures"}
        for figure in device["figures"]:
            ends = figure.pop("interval") or [None, None]
            ratios = figure.pop("ratio_interval") or [None, None]
            rows.append({
                **own, **figure, "interval_low": ends[0], "interval_high": ends[1],
                "ratio_low": ratios[0], "ratio_high": ratios[1],
            })  # fmt: skip
    columns = list(rows[0]) if rows else list(_EMPTY)
    return pd.DataFrame([list(row.values()) for row in rows], columns=columns, dtype=object)


_EMPTY = (
    "device", "device_before", "name", "state_before", "state_after", "block_s", "blocks_before", "blocks_after",
    "figure", "unit", "before", "after", "change", "block_median_before", "block_median_after", "outcome", "why",
    "interval_low", "interval_high", "ratio_low", "ratio_high",
)  # fmt: skip


def comparison_markdown(comparison: Comparison, *, every: bool = False) -> str:
    """Head, devices, figures and findings as a Markdown page; ``every``: all figures."""
    parts = ["# Comparison"]
    parts += [f"Before: {markdown_safe(recorded(comparison.before))}"]
    parts += [f"After: {markdown_safe(recorded(comparison.after))}"]
    parts += [f"Doubt: {markdown_safe(doubt)}." for doubt in comparison.doubts]
    parts.append(summary(comparison))
    if comparison.devices:
        cells = [[column.cell(device) for column in COLUMNS] for device in comparison.devices]
        parts += [_piped([column.title for column in COLUMNS], cells), markdown_safe(LEGEND)]
    for word, side in (("before", comparison.only_before), ("after", comparison.only_after)):
        parts += [f"- only {word}: {markdown_safe(v.figures.name or '')} {v.figures.key}" for v in side]
    figures = _figures(comparison, every)
    if figures:
        parts += ["## Figures", _piped(_FIGURE_TITLES, figures), markdown_safe(meaning(comparison))]
    parts += _findings(comparison)
    return "\n\n".join(parts) + "\n"


def _figures(comparison: Comparison, every: bool) -> list[list[str]]:
    return [
        [
            device_name(device), row.figure.title, value(row.figure, row.before), value(row.figure, row.after),
            change(row), interval(row), outcome(row),
        ]
        for device in comparison.devices
        for row in device.rows
        if every or told(row)
    ]  # fmt: skip


def _findings(comparison: Comparison) -> list[str]:
    if not comparison.findings:
        return ["No findings in either recording."] if comparison.devices else []
    cells = [
        [f.change, f.level, finding_name(f), f"{f.name or ''} {f.device}", str(f.before), str(f.after), f.why]
        for f in comparison.findings
    ]
    return ["## Findings", _piped(_FINDING_TITLES, cells), CAUTION]


def _piped(titles: tuple[str, ...] | list[str], cells: list[list[str]]) -> str:
    safe = [[markdown_safe(cell) for cell in row] for row in cells]
    return tabulate(safe, titles, tablefmt="pipe", disable_numparse=True)
