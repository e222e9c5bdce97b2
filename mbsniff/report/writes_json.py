"""A Survey in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

from typing import Any

from mbsniff.report.as_json import SCHEMA, diagnosis_dict, json_text, moment_or_none
from mbsniff.report.audit_json import number, written_dict
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
    """What an audit says of the register, and its further figures."""
    return written_dict(register.written) | {
        "distinct": register.distinct,
        "first": number(register.first),
        "last": number(register.last),
        "changed": register.changes,
        "unknown": register.unknown,
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
