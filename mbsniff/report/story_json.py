"""A Story in, its JSON out (schema 1 of stories; DEVELOPERS.md tells the names)."""

from __future__ import annotations

from typing import Any

from mbsniff.diagnose import Evidence
from mbsniff.diagnose.wording import moment
from mbsniff.report.as_json import diagnosis_dict, json_text
from mbsniff.report.recovery_json import recovery_dict
from mbsniff.report.rounding import seconds
from mbsniff.story import Argued, Step, Story

SCHEMA = 1


def story_json(story: Story) -> str:
    """The whole story as one JSON text, a line a step; absent values are null."""
    return json_text(story_dict(story))


def no_story_json() -> str:
    """The same where there is nothing to tell."""
    return json_text({"schema": SCHEMA, "story": None, "steps": []})


def story_dict(story: Story) -> dict[str, Any]:
    """The same as plain dicts and lists; every step, whatever a page leaves out."""
    return {
        "schema": SCHEMA,
        "story": {
            "device": story.device.key,
            "name": story.device.name,
            "from": moment(story.from_ns),
            "until": moment(story.until_ns),
            "length_s": seconds(story.until_ns - story.from_ns),
            "timezone": story.times.name(story.from_ns),
            "headline": story.headline,
            "summary": story.summary,
            "is_fault": story.is_fault,
            "incident": story.incident,
        },
        "steps": [_step(step) for step in story.steps],
        "cause": _cause(story.cause),
        "recovery": recovery_dict(story.facts) if story.facts else None,
        "cannot_show": story.unseen,
        "recording": diagnosis_dict(story.diagnosis)["recording"],
    }


def _step(step: Step) -> dict[str, Any]:
    return {
        "kind": step.kind,
        "from": moment(step.from_ns),
        "until": moment(step.until_ns),
        "count": step.count,
        "text": step.text,
        "evidence": evidence_list(step.evidence),
    }


def _cause(cause: Argued | None) -> dict[str, Any] | None:
    if cause is None:
        return None
    return {
        "cause": cause.code,
        "certainty": cause.certainty,
        "text": cause.text,
        "evidence": evidence_list(cause.evidence),
        "against": list(cause.against),
        "would_decide": list(cause.would_decide),
        "rivals": [{"cause": code, "text": text} for code, text in cause.rivals],
    }


def evidence_list(evidence: tuple[Evidence, ...]) -> list[dict[str, Any]]:
    """Frames by file and number."""
    return [{"file": e.file, "frame": e.frame} for e in evidence]
