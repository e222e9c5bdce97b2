"""A Recovery in, plain dicts out: the part of the JSON that tells how a device came back (DEVELOPERS.md)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from mbsniff.diagnose import Evidence
from mbsniff.diagnose.wording import moment
from mbsniff.report.rounding import seconds

if TYPE_CHECKING:  # loaded where a watchdog was due
    from mbsniff.diagnose.recovery import Feedback, Proof, Recovery, Reset, Step, WrittenValue
    from mbsniff.diagnose.recovery.facts import Reading


def frame_dict(evidence: Evidence) -> dict[str, Any]:
    """A frame by its file and its number in it."""
    return {"file": evidence.file, "frame": evidence.frame}


def recovery_dict(recovery: Recovery) -> dict[str, Any]:
    """All that is known of a recovery; what is not, is null."""
    begun = recovery.requests
    return {
        "due_at": moment(recovery.due_ns),
        "requests": _step(recovery.requests, begun),
        "reply": _step(recovery.reply, begun),
        "setpoint": _step(recovery.setpoint, begun),
        "full_round": _step(recovery.full_round, begun),
        "cyclic_polls": recovery.polls,
        "on_loss": recovery.on_loss,
        "last_written": [_written(written) for written in recovery.written],
        "resets": [_reset(reset) for reset in recovery.resets],
        "status": _proof(recovery.proof) if recovery.proof else None,
        "feedback": [_feedback(found) for found in recovery.feedback],
        "feedback_looked_at": recovery.feedback_looked_at,
    }


def _step(step: Step | None, begun: Step | None) -> dict[str, Any] | None:
    """``after_s``: since the request that ended the silence."""
    if step is None:
        return None
    after_s = seconds(step.at_ns - begun.at_ns) if begun else None
    return {"at": moment(step.at_ns), "after_s": after_s, **frame_dict(step.evidence)}


def number(value: float | None) -> float | None:
    """A value that JSON has a number for."""
    return value if value is not None and math.isfinite(value) else None


def _written(written: WrittenValue) -> dict[str, Any]:
    return {
        "register": written.label,
        "value": number(written.value),
        "engineering_unit": written.register.engineering_unit if written.declared else None,
        "raw": not written.declared,
        "at": moment(written.at_ns),
        "age_s": seconds(written.age_ns),
        **frame_dict(written.evidence),
    }


def _reset(reset: Reset) -> dict[str, Any]:
    return {
        "at": moment(reset.at_ns),
        "requests_arriving": reset.arriving_ns is not None,
        "arriving_s": seconds(reset.arriving_ns),
        **frame_dict(reset.evidence),
    }


def _proof(proof: Proof) -> dict[str, Any]:
    return {
        "register": proof.label,
        "outcome": proof.outcome,
        "last_before": _reading(proof.before),
        "fell_back": _reading(proof.fell_back),
        "back": _reading(proof.back),
        "clear": _reading(proof.clear),
        "may_have_restarted": proof.may_have_restarted,
    }


def _reading(reading: Reading | None) -> dict[str, Any] | None:
    if reading is None:
        return None
    return {
        "at": moment(reading.at_ns),
        "word": reading.word,
        "tripped": reading.tripped,
        **frame_dict(reading.evidence),
    }


def _feedback(found: Feedback) -> dict[str, Any]:
    return {
        "register": found.label,
        "setpoint": number(found.setpoint),
        "value": number(found.value),
        "left": _step(found.left, None),
        "back": _step(found.back, None),
    }
