"""An Audit in, CSV and Markdown out: the requirements, for spreadsheets and for pages."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from tabulate import tabulate

from mbsniff.audit import REQUIREMENTS, Audit
from mbsniff.report.audit_cells import called, frames, not_stated, summary
from mbsniff.report.audit_json import result_dict
from mbsniff.report.sheets import inert, markdown_safe
from mbsniff.report.table import CAUTION, head

RESULT_FIELDS = ("verdict", "code", "title", "device", "name", "measured", "limit", "why", "evidence")


def audit_csv(audit: Audit) -> str:
    """One line a result, not met first, with the names of the JSON; absent values are empty."""
    rows = []
    for result in audit.results:
        made = result_dict(result) | {
            "evidence": " ".join(f"{e.file}:{e.frame}" for e in result.outcome.evidence)
        }
        rows.append([made[field] for field in RESULT_FIELDS])
    return _csv(RESULT_FIELDS, rows)


def _csv(fields: Sequence[str], rows: list[list[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(fields)
    writer.writerows([inert(cell) for cell in row] for row in rows)
    return text.getvalue()


def audit_markdown(audit: Audit) -> str:
    """Head, counts and one table of all results as a Markdown page."""
    rows = [
        [
            r.verdict,
            r.title,
            called(r.device, r.name),
            r.outcome.measured,
            r.limit,
            r.outcome.why or "",
            frames(r),
        ]
        for r in audit.results
    ]
    titles = ("verdict", "requirement", "at", "measured", "limit", "why", "frames")
    return _page(
        "Audit",
        audit,
        [markdown_safe(summary(audit)), _piped(titles, rows), markdown_safe(not_stated(audit))],
    )


def _page(title: str, audit: Audit, parts: list[str]) -> str:
    lines = [markdown_safe(line) for line in head(audit.diagnosis, 10_000).splitlines()]
    recorded = "\n\n".join([f"Files: {lines[0]}", *lines[1:]])
    return "\n\n".join([f"# {title}", recorded, *filter(None, parts), CAUTION]) + "\n"


def _piped(titles: Sequence[str], rows: list[list[str]]) -> str:
    safe = [[markdown_safe(cell) for cell in row] for row in rows]
    return tabulate(safe, titles, tablefmt="pipe", disable_numparse=True) if safe else ""


def requirements_table() -> str:
    """All requirements as a Markdown table, for the contributor guide."""
    rows = [("code", "requirement", "measured", "stated by"), ("---",) * 4]
    rows += [(f"`{r.code}`", r.title, r.how, r.stated_by) for r in REQUIREMENTS]
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)
