"""An Audit in, its terminal page out: the requirements, and what is wrong with them."""

from __future__ import annotations

import textwrap
from collections import defaultdict

from mbsniff.audit import Audit, Result
from mbsniff.diagnose.wording import listed
from mbsniff.errors import one_line
from mbsniff.report.audit_cells import (
    NONE,
    called,
    ended,
    frames,
    not_stated,
    summary,
)
from mbsniff.report.table import CAUTION, head, ruled, wrapped

_TITLES = (
    ("verdict", False),
    ("requirement", False),
    ("where", False),
    ("measured value", False),
    ("stated limit", False),
)
_WIDTHS = (
    14,
    24,
    26,
)  # verdict, requirement, device; what is left is shared by what was measured and the limit
_NARROW = (9, 15, 18)
_NARROW_PAGE = 110
_MOST_NAMES = 8
_MOST_CHANGES = 6


def audit_page(audit: Audit, width: int) -> str:
    """The page for a terminal of ``width`` columns: head, requirements, what is not met, what cannot be told."""
    parts = [head(audit.diagnosis, width), wrapped(summary(audit), width)]
    if audit.results:
        parts.append(_table(audit, width))
    parts += _told(audit, "not met", width)
    parts += _told(audit, "cannot be told", width)
    parts.append(wrapped(not_stated(audit), width, "  "))
    parts.append(wrapped(CAUTION, width))
    return "\n\n".join(part for part in parts if part) + "\n"


def _alike(results: list[Result]) -> list[list[Result]]:
    """Results that say the same of several devices, together."""
    groups: dict[tuple[str | None, ...], list[Result]] = defaultdict(list)
    for r in results:
        groups[r.verdict, r.code, r.limit, r.outcome.measured, r.outcome.why].append(r)
    return list(groups.values())


def _at(results: list[Result], devices: int) -> str:
    if len(results) == 1:
        return called(results[0].device, results[0].name)
    if len(results) == devices:
        return f"all {devices} devices"
    names = [one_line(r.name) if r.name else called(r.device, None) for r in results]
    return listed(names, _MOST_NAMES)


def _table(audit: Audit, width: int) -> str:
    fixed = _WIDTHS if width >= _NARROW_PAGE else _NARROW
    rest = max(width - sum(fixed) - 2 * len(_TITLES), 24)
    widths = (*fixed, rest * 3 // 5, rest - rest * 3 // 5)
    rows = [
        [
            textwrap.fill(cell, size, break_on_hyphens=False)
            for cell, size in zip(_cells(group, audit.devices), widths, strict=True)
        ]
        for group in _alike(audit.results)
    ]
    return ruled(_TITLES, rows)


def _cells(group: list[Result], devices: int) -> tuple[str, ...]:
    first = group[0]
    return (
        first.verdict,
        first.title,
        _at(group, devices),
        one_line(first.outcome.measured),
        one_line(first.limit),
    )


def _told(audit: Audit, verdict: str, width: int) -> list[str]:
    """What is wrong, or why it cannot be told, and the frames, for each that is not met."""
    groups = _alike([r for r in audit.results if r.verdict == verdict])
    texts = []
    for number, group in enumerate(groups, 1):
        first = group[0]
        lines = [
            f"{number}. {first.title}, {_at(group, audit.devices)}: {ended(one_line(first.outcome.why or NONE))}"
        ]
        shown = [
            f"{one_line(r.name) if len(group) > 1 and r.name else ''} {frames(r)}".strip() for r in group
        ]
        lines += [f"   Frames: {'; '.join(shown)}"] if any(r.outcome.evidence for r in group) else []
        texts.append("\n".join(wrapped(line, width, "   ") for line in lines))
    return [f"{verdict[0].upper()}{verdict[1:]}:", *texts] if texts else []
