"""An Audit in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

from typing import Any

from mbsniff.audit import Audit, Result
from mbsniff.report.as_json import SCHEMA, diagnosis_dict, json_text
from mbsniff.report.audit_cells import NONE


def audit_json(audit: Audit) -> str:
    """The whole audit, a line a result; absent values are null."""
    return json_text(audit_dict(audit))


def audit_dict(audit: Audit) -> dict[str, Any]:
    """The same as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "recording": diagnosis_dict(audit.diagnosis)["recording"],
        "met": audit.is_met,
        "counts": {verdict.replace(" ", "_"): count for verdict, count in audit.counts().items()},
        "results": [result_dict(result) for result in audit.results],
        "not_stated": audit.not_stated,
    }


def result_dict(result: Result) -> dict[str, Any]:
    """One row: which requirement, at which device, and what came of it."""
    return {
        "code": result.code,
        "title": result.title,
        "device": result.device,
        "name": result.name,
        "verdict": result.verdict,
        "measured": result.outcome.measured if result.outcome.measured != NONE else None,
        "limit": result.limit,
        "why": result.outcome.why,
        "evidence": [{"file": e.file, "frame": e.frame} for e in result.outcome.evidence],
    }
