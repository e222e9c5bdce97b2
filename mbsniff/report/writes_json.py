"""A Survey in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

from typing import Any

from mbsniff.audit import Written
from mbsniff.diagnose.wording import moment
from mbsniff.report.as_json import SCHEMA, diagnosis_dict, json_text, moment_or_none
from mbsniff.report.rounding import in_milliseconds, in_seconds, number
from mbsniff.writes import Judgement, RegisterWrites, Survey


def writes_json(survey: Survey) -> str:
    """The whole survey as one JSON text, a line a register or judgement; absent values are null."""
    return json_text(writes_dict(survey))


def writes_dict(survey: Survey) -> dict[str, Any]:
    """The same as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "recording": diagnosis_dict(survey.diagnosis)["recording"],
        "registers": [_register(register) for register in survey.registers],
        "judgements": [_judgement(judgement) for judgement in survey.judgements],
        "notes": survey.notes,
    }


def _register(register: RegisterWrites) -> dict[str, Any]:
    """A register: who wrote it, which values, and further figures."""
    return _written(register.written) | {
        "distinct": register.distinct,
        "first": number(register.first),
        "last": number(register.last),
        "changed": register.changes,
        "unknown": register.unknown,
    }


def _written(written: Written) -> dict[str, Any]:
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


def _judgement(judgement: Judgement) -> dict[str, Any]:
    return {
        "code": judgement.code,
        "level": judgement.kind.level,
        "device": judgement.device,
        "name": judgement.name,
        "register": judgement.register,
        "from": moment_or_none(judgement.from_ns),
        "writes": judgement.count,
        "text": judgement.text,
        "advice": judgement.kind.advice,
        "evidence": [{"file": e.file, "frame": e.frame} for e in judgement.evidence],
    }
