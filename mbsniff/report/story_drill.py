"""The record of an acceptance drill in, its text page, Markdown and JSON out."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from tabulate import tabulate

from mbsniff.diagnose import Evidence
from mbsniff.diagnose.wording import counted, duration, moment
from mbsniff.errors import one_line
from mbsniff.report.as_json import diagnosis_dict, json_text, moment_or_none
from mbsniff.report.recovery_json import recovery_dict
from mbsniff.report.rounding import seconds
from mbsniff.report.sheets import markdown_safe
from mbsniff.report.story_cells import CAUTION, labels_of, places
from mbsniff.report.story_json import SCHEMA, evidence_list
from mbsniff.report.table import ruled, wrapped
from mbsniff.story.drill import Check, Drill, Event
from mbsniff.story.names import called

NONE = "-"
EVENTS = (
    ("what happened", False),
    ("local time", False),
    ("after last feed", True),
    ("frame", True),
    ("note", False),
)
CHECKED = (
    ("verdict", False),
    ("what is checked", False),
    ("required", False),
    ("seen", False),
    ("frame", True),
)
LONG, SHORT, WIDE, GAP = (
    32,
    16,
    100,
    2,
)  # characters: cells from there on are broken, on wide and narrow pages
SIGNED = ("Carried out by", "Witnessed by", "Accepted by")
REMARK = (
    "This record says what a recording shows. What the output really did is to be looked at, at the equipment, by "
    "qualified people, under local codes; that goes before any verdict here."
)


def drill_page(drill: Drill, width: int) -> str:
    """The record for a terminal, or a printer, of ``width`` columns."""
    parts = [
        f"Acceptance drill: loss of communication, {one_line(called(drill.story.device))}",
        "\n".join(wrapped(f"{title}: {text}", width, "  ") for title, text in _head(drill)),
        ruled(EVENTS, _fitted(EVENTS, [_event(drill, e) for e in drill.events], width)),
        ruled(CHECKED, _fitted(CHECKED, [_check(drill, c) for c in drill.checks], width)),
        wrapped(f"Result: {_verdict(drill)}", width),
        wrapped(f"{REMARK} {CAUTION}", width),
        "\n".join(f"{who + ':':<16}{'_' * 20}  Date: {'_' * 10}  Signature: {'_' * 12}" for who in SIGNED),
    ]
    return "\n\n".join(parts) + "\n"


def _head(drill: Drill) -> Iterator[tuple[str, str]]:
    """What was recorded, of which device, and what is required of it."""
    story = drill.story
    facts, limits = story.diagnosis.facts, story.device.limits
    for file in facts.files:
        yield "Recording", f"{one_line(file.file)}, SHA-256 {drill.digests.get(file.file, 'not known')}"
    zone = story.times.name(story.from_ns)
    span = f"{story.times.moment(facts.starts_ns or 0)} to {story.times.moment(facts.ends_ns or 0)} ({zone})"
    yield "Recorded", f"{span}, {duration(facts.span_ns)}, {counted(facts.frames, 'frame')}"
    name = one_line(story.device.name) if story.device.name else "(no name)"
    yield "Device", f"{name}, {story.device.key}"
    path = story.diagnosis.site.path
    if path:
        yield "Site file", f"{one_line(path)}, SHA-256 {drill.digests.get(path, 'not known')}"
    stated = [f"watchdog {duration(limits.watchdog_ns or 0)}", f"tolerance {limits.tolerance:.0%}"]
    stated += [f"on loss {limits.on_loss}"] if limits.on_loss else []
    if limits.tolerable_outage_ns:
        stated.append(f"tolerable outage {duration(limits.tolerable_outage_ns)}")
    yield "Required", ", ".join(stated)
    cause = f" Cause: {story.cause.code} ({story.cause.certainty})." if story.cause else ""
    yield "Seen", f"{story.summary}{cause}"


def _event(drill: Drill, event: Event) -> list[str]:
    story = drill.story
    if event.at_ns is None:
        return [event.title, "not seen", NONE, NONE, one_line(event.note)]
    after = event.at_ns - story.from_ns
    return [
        event.title, story.times.clock(event.at_ns), duration(after) if after else NONE,
        _frame(drill, event.evidence), one_line(event.note),
    ]  # fmt: skip


def _check(drill: Drill, check: Check) -> list[str]:
    result = check.result
    return [
        result.outcome,
        check.title,
        result.required,
        one_line(result.seen),
        _frame(drill, result.evidence),
    ]


def _frame(drill: Drill, evidence: tuple[Evidence, ...]) -> str:
    return ", ".join(places(evidence, labels_of(drill.story))) or NONE


def _fitted(titles: Sequence[tuple[str, bool]], rows: list[list[str]], width: int) -> list[list[str]]:
    """The rows with their long cells in several lines, so that the table keeps to the width."""
    sizes = [[len(row[k]) for row in rows] for k in range(len(titles))]
    widest = [
        max([*own, *map(len, title.split(" ", 1))]) for own, (title, _) in zip(sizes, titles, strict=True)
    ]
    most = LONG if width >= WIDE else SHORT
    long = [k for k, size in enumerate(widest) if size > most]
    rest = width - sum(size for k, size in enumerate(widest) if k not in long) - GAP * (len(titles) - 1)
    room = max(rest // max(len(long), 1), most // 2)
    return [
        [
            textwrap.fill(cell, room, break_on_hyphens=False) if k in long else cell
            for k, cell in enumerate(row)
        ]
        for row in rows
    ]


def _verdict(drill: Drill) -> str:
    """The record's verdict, and what stands in its way."""
    told = [c.title for c in drill.checks if c.result.outcome == drill.outcome]
    if drill.outcome == "pass":
        return "passed, as far as the wire shows"
    why = ", ".join(told)
    return f"failed: {why}" if drill.outcome == "fail" else f"cannot be told from this recording: {why}"


def drill_markdown(drill: Drill) -> str:
    """The record as a Markdown page."""
    safe = [[markdown_safe(cell) for cell in _event(drill, e)] for e in drill.events]
    checks = [[markdown_safe(cell) for cell in _check(drill, c)] for c in drill.checks]
    parts = [
        f"# Acceptance drill: loss of communication, {markdown_safe(called(drill.story.device))}",
        "\n".join(f"- **{title}:** {markdown_safe(text)}" for title, text in _head(drill)),
        tabulate(safe, [t for t, _ in EVENTS], tablefmt="pipe", disable_numparse=True),
        tabulate(checks, [t for t, _ in CHECKED], tablefmt="pipe", disable_numparse=True),
        f"**Result: {markdown_safe(_verdict(drill))}**",
        f"{REMARK} {CAUTION}",
        tabulate([[who, "", "", ""] for who in SIGNED], ["", "name", "date", "signature"], tablefmt="pipe"),
    ]
    return "\n\n".join(parts) + "\n"


def drill_json(drill: Drill) -> str:
    """The record as JSON (schema 1 of drills)."""
    story, limits = drill.story, drill.story.device.limits
    files = [f.file for f in story.diagnosis.facts.files]
    path = story.diagnosis.site.path
    return json_text({
        "schema": SCHEMA,
        "drill": {
            "device": story.device.key, "name": story.device.name, "outcome": drill.outcome,
            "cause": story.cause.code if story.cause else None, "from": moment(story.from_ns),
            "until": moment(story.until_ns),
        },
        "files": [{"file": f, "sha256": drill.digests.get(f)} for f in files],
        "site_file": {"file": path, "sha256": drill.digests.get(path)} if path else None,
        "limits": {
            "watchdog_s": seconds(limits.watchdog_ns), "tolerance": limits.tolerance, "on_loss": limits.on_loss,
            "tolerable_outage_s": seconds(limits.tolerable_outage_ns),
        },
        "recovery": recovery_dict(story.facts) if story.facts else None,
        "events": [_event_dict(story.from_ns, e) for e in drill.events],
        "checks": [_check_dict(c) for c in drill.checks],
        "recording": diagnosis_dict(story.diagnosis)["recording"],
    })  # fmt: skip


def _event_dict(from_ns: int, event: Event) -> dict[str, Any]:
    return {
        "title": event.title,
        "at": moment_or_none(event.at_ns),
        "after_last_feed_s": None if event.at_ns is None else seconds(event.at_ns - from_ns),
        "note": event.note or None,
        "evidence": evidence_list(event.evidence),
    }


def _check_dict(check: Check) -> dict[str, Any]:
    result = check.result
    return {
        "code": check.code,
        "title": check.title,
        "outcome": result.outcome,
        "required": result.required,
        "seen": result.seen,
        "evidence": evidence_list(result.evidence),
    }
