"""A Diagnosis in, CSV and Markdown out: the table's columns, for spreadsheets and for pages."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tabulate import tabulate

from mbsniff.diagnose import Diagnosis
from mbsniff.errors import one_line
from mbsniff.report.as_json import diagnosis_dict
from mbsniff.report.columns import COLUMNS
from mbsniff.report.table import CAUTION, head

if TYPE_CHECKING:  # pandas takes a third of a second to import, and only CSV needs it
    import pandas as pd

FIELDS = (
    "state", "device", "name", "watchdog_s", "margin", "spare_polls", "watchdog_due", "watchdog_possibly_due",
    "longest_silence_s", "longest_silence_at", "longest_silence_min_s", "longest_silence_max_s",
    "open_silence_start_s", "open_silence_end_s", "requests", "answered", "unanswered", "unknown", "open_at_end",
    "late", "requests_per_s", "reads_per_s", "busiest_second_reads",
)  # fmt: skip
QUANTILES = ("median", "p95", "p99", "max")
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")  # wide forms: some spreadsheets read them alike


def diagnosis_csv(diagnosis: Diagnosis) -> str:
    """One line a device, worst first, with the names of the JSON; absent values are empty."""
    return str(diagnosis_frame(diagnosis).map(inert).to_csv(index=False, lineterminator="\n"))


def diagnosis_frame(diagnosis: Diagnosis) -> pd.DataFrame:
    """A row a device, worst first: FIELDS, the reply time's quantiles, masters and finding codes; dtype object."""
    import pandas as pd

    found: dict[str, list[str]] = {}
    for finding in diagnosis.findings:
        for key in finding.devices or (finding.device or "",):
            found.setdefault(key, []).append(finding.code)
    columns = [*FIELDS, *(f"reply_ms_{q}" for q in QUANTILES), "masters", "findings"]
    rows = []
    for device in diagnosis_dict(diagnosis)["devices"]:
        reply = device["reply_ms"] or {}
        codes = dict.fromkeys(found.get(device["device"], []))
        own = [device[field] for field in FIELDS] + [reply.get(q) for q in QUANTILES]
        rows.append([*own, " ".join(device["masters"]), " ".join(codes)])
    return pd.DataFrame(rows, columns=columns, dtype=object)


def inert(cell: object) -> object:
    """Text that a spreadsheet would take for a formula, with an apostrophe before it."""
    if not isinstance(cell, str):
        return cell
    text = one_line(cell)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def diagnosis_markdown(diagnosis: Diagnosis) -> str:
    """Head, table and findings as a Markdown page."""
    lines = [markdown_safe(line) for line in head(diagnosis, 10_000).splitlines()]
    rows = [[markdown_safe(column.cell(verdict)) for column in COLUMNS] for verdict in diagnosis.verdicts]
    titles = [column.title for column in COLUMNS]
    parts = ["# Diagnosis", "\n\n".join([f"Files: {lines[0]}", *lines[1:]])]
    if rows:
        parts.append(tabulate(rows, titles, tablefmt="pipe", disable_numparse=True))
    for finding in diagnosis.findings:
        frames = ", ".join(f"{e.file} {e.frame}" for e in finding.evidence)
        parts.append(f"## {finding.level}: {finding.code} ({finding.certainty})")
        parts.append(_no_block(markdown_safe(finding.text)) + ".")
        if finding.recovery:
            from mbsniff.diagnose.recovery import recovery_sentences  # loaded where a watchdog was due

            told = recovery_sentences(finding.recovery, with_proof=False)
            parts.append(" ".join(f"{_no_block(markdown_safe(text))}." for text in told))
        parts += [f"Frames: {markdown_safe(frames)}"] if frames else []
        parts.append(f"Do: {finding.advice}")
    if diagnosis.findings:
        parts.append(CAUTION)
    return "\n\n".join(parts) + "\n"


def markdown_safe(text: str) -> str:
    """Text with what Markdown or HTML would act on escaped."""
    text = one_line(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return "".join(f"\\{c}" if c in "\\`*_[]|#~$" else c for c in text)


def _no_block(text: str) -> str:
    """The same at the start of a line, where a dash or a number would begin a list, and "=" a heading."""
    return re.sub(r"^([-+=]|\d+[.)](?=\s))", lambda m: f"{m[0][:-1]}\\{m[0][-1]}", text)
