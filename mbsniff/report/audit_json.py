"""An Audit in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

import math
from typing import Any

from mbsniff.audit import Audit, Result, Written
from mbsniff.diagnose.wording import moment
from mbsniff.report.as_json import SCHEMA, diagnosis_dict, json_text
from mbsniff.report.audit_cells import NONE
from mbsniff.report.rounding import in_milliseconds, in_seconds


def audit_json(audit: Audit) -> str:
    """The whole audit, a line a result and a register written; absent values are null."""
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
        "writes": [written_dict(written) for written in audit.writes],
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


def written_dict(written: Written) -> dict[str, Any]:
    """One register's writes: who, how often, which values, the control loop's figures, and its changes."""
    trace, register, follows = written.trace, written.trace.register, written.follows
    shown = [k for k in range(len(trace.rows)) if k == 0 or trace.changes[k]]
    return {
        "device": trace.device.key,
        "name": trace.device.name,
        "register": register.name,
        "table": register.table,
        "address": register.first,
        "label": written.label,
        "declared": trace.declared,
        "engineering_unit": register.engineering_unit,
        "writes": written.count,
        "refused": int((~trace.accepted).sum()),
        "unchanged": int(trace.repeats.sum()),
        "masters": written.masters,
        "kinds": list(written.kinds),
        "lowest": number(written.lowest),
        "highest": number(written.highest),
        "period_s": in_seconds(written.period),
        "measurement_age_ms": in_milliseconds(written.age),
        "followed": None
        if follows is None
        else {
            "changes": follows.changes,
            "followed": follows.followed,
            "after_ms": in_milliseconds(follows.after),
        },
        "remarks": list(written.remarks),
        "changes": [{"at": moment(int(trace.times_ns[k])), "value": number(trace.values[k])} for k in shown],
    }


def number(value: float | None) -> float | None:
    """A value in engineering units with twelve significant digits; None for what is no finite number."""
    return float(f"{value:.12g}") if value is not None and math.isfinite(value) else None
