"""Figures measured → a table of each beside its goal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tabulate import tabulate


@dataclass(frozen=True)
class Figure:
    """One line; ``goal`` is the greatest good value, or the least, or None (for information only)."""

    what: str
    measured: float | None
    unit: str
    goal: float | None = None
    at_least: bool = False
    note: str = ""

    @property
    def reached(self) -> str:
        """``yes``, ``no`` (also where measuring failed), or nothing where there is no goal."""
        if self.measured is None:
            return "no"
        if self.goal is None:
            return ""
        return (
            "yes" if (self.measured >= self.goal if self.at_least else self.measured <= self.goal) else "no"
        )

    def cells(self) -> list[str]:
        """The line's cells."""
        measured = "failed" if self.measured is None else _number(self.measured, self.unit)
        sign = "≥" if self.at_least else "≤"
        goal = "" if self.goal is None else f"{sign} {_number(self.goal, self.unit)}"
        return [self.what, measured, goal, self.reached, self.note]


def _number(value: float, unit: str) -> str:
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 20 else 2
    return f"{value:,.{digits}f} {unit}"


def failed(what: str, why: object) -> Figure:
    """The line of a part that could not be measured."""
    return Figure(what, None, "", note=str(why)[-100:])


def table(figures: Sequence[Figure], table_format: str = "simple") -> str:
    """All figures, a line each."""
    headers = ["figure", "measured", "goal", "reached", "note"]
    rows = [figure.cells() for figure in figures]
    return tabulate(rows, headers, tablefmt=table_format, disable_numparse=True)
