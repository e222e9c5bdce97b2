"""A Diagnosis in, its JSON out (schema 1; DEVELOPERS.md tells the names)."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from mbsniff.capture import Clock
from mbsniff.diagnose import Diagnosis, Finding, Verdict
from mbsniff.diagnose.hearing import Background
from mbsniff.diagnose.incidents import Incident
from mbsniff.diagnose.wording import moment
from mbsniff.exchange import Translation
from mbsniff.exchange.columns import STATUS_NAMES
from mbsniff.measure import PollFigures, Silence
from mbsniff.measure.figures import Endpoint, MasterHabits
from mbsniff.report.margin_json import near_misses_dict, supported_dict
from mbsniff.report.recovery_json import frame_dict, recovery_dict
from mbsniff.report.rounding import (
    in_milliseconds,
    in_seconds,
    milliseconds,
    per_second,
    ratio,
    seconds,
)

if TYPE_CHECKING:  # loaded where ports are looked for
    from mbsniff.wire.ports import PortSearch

SCHEMA = 1

_OWN_COUNTS = ("late", "pipelined", "by-order", "misaddressed", "unknown", "broadcast")


def diagnosis_json(diagnosis: Diagnosis) -> str:
    """The whole diagnosis as one JSON text, a line a device or finding; absent values are null."""
    return json_text(diagnosis_dict(diagnosis))


def json_text(document: dict[str, Any]) -> str:
    """A document as JSON, each entry of its lists on a line of its own."""
    parts = [f'"{name}": {_lines(value)}' for name, value in document.items()]
    return "{" + ",\n".join(parts) + "}\n"


def _lines(value: Any) -> str:
    """A part of the document: a list with a line an entry, anything else on one line."""
    if isinstance(value, list) and value:
        return "[\n" + ",\n".join(_text(entry) for entry in value) + "]"
    return _text(value)


def _text(value: Any) -> str:
    return json.dumps(value, allow_nan=False)  # ASCII: no control, no half of a character in a file's name


def diagnosis_dict(diagnosis: Diagnosis) -> dict[str, Any]:
    """The same as plain dicts and lists."""
    return {
        "schema": SCHEMA,
        "recording": _recording(diagnosis),
        "devices": [_device(verdict, diagnosis) for verdict in diagnosis.verdicts],
        "endpoints": [_endpoint(endpoint) for endpoint in diagnosis.figures.endpoints],
        "incidents": [_incident(incident) for incident in diagnosis.incidents],
        "findings": [_finding(finding) for finding in diagnosis.findings],
    }


def moment_or_none(ns: int | None) -> str | None:
    """Date and time in ISO 8601, None where there is none."""
    return None if ns is None else moment(ns)


def _sum(values: list[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _recording(diagnosis: Diagnosis) -> dict[str, Any]:
    facts = diagnosis.facts
    counters, files = facts.counters, facts.files
    return {
        "files": [file.file for file in files],
        "frames": facts.frames,
        "bytes": sum(file.captured_bytes for file in files),
        "starts": moment_or_none(facts.starts_ns),
        "ends": moment_or_none(facts.ends_ns),
        "span_s": seconds(facts.span_ns) if facts.frames else None,
        "modbus_messages": counters.messages,
        "modbus_frames": counters.modbus_frames,
        "repeated_frames": counters.repeated_frames + facts.second_sightings,
        "cut_short_frames": sum(file.cut_short_frames for file in files),
        "unrecorded_bytes": counters.unrecorded_bytes,
        "undecodable_frames": counters.undecodable_frames,
        "seen_through": counters.seen_through,
        "not_seen_through": counters.not_seen_through,
        "skipped_bytes": counters.skipped_bytes,
        "backward_time_steps": facts.backward_steps,
        "longest_backward_step_s": seconds(facts.longest_step_ns),
        "clock_jumps": [
            {"at": moment(jump.from_ns), "by_s": seconds(jump.by_ns)} for jump in diagnosis.clock_jumps
        ],
        "long_frames": facts.long_frames,
        "one_direction": [
            {"endpoint": one.endpoint, "heard": one.heard, "unrecorded_bytes": one.unrecorded_bytes}
            for one in diagnosis.one_direction
        ],
        "lost_by_recorder": _sum([d for f in files for d in (f.epb_dropcount, f.isb_ifdrop, f.isb_osdrop)]),
        "unread_bytes": _sum([file.unread_bytes for file in files]),
        "skipped_files": [{"file": skipped.file, "why": skipped.why} for skipped in facts.skipped],
        "clocks": [_clock(clock) for clock in facts.clocks],
        "background": _background(diagnosis.background) if diagnosis.background else None,
        "translated": [_translation(found) for found in diagnosis.exchange.translations],
        "datagrams": counters.datagrams,
        "port_search": _port_search(facts.port_search),
        "vantage": diagnosis.figures.vantage,
        "doubts": diagnosis.doubts,
    }


def _background(background: Background) -> dict[str, Any]:
    return {
        "usual_gap_s": seconds(background.usual_gap_ns),
        "longest_gap_s": seconds(background.longest_gap_ns),
    }


def _translation(found: Translation) -> dict[str, Any]:
    sides = {"outer": found.outer, "inner": found.inner, "counted_as": found.counted_as}
    told: dict[str, Any] = {
        name: {"client": pair.client, "server": pair.endpoint} for name, pair in sides.items()
    }
    return told | {"connections": found.connections, "requests": found.requests}


def _port_search(search: PortSearch | None) -> dict[str, Any] | None:
    if search is None:
        return None
    return {
        "frames": search.frames,
        "found": [{"port": each.port, "exchanges": each.exchanges} for each in search.found],
        "ports": list(search.ports),
        "refused": [502] if search.refused else [],
    }


def _clock(clock: Clock) -> dict[str, Any]:
    return {
        "files": clock.files,
        "shift_s": seconds(clock.shift_ns),
        "basis": clock.basis,
        "matches": clock.matches,
        "agreeing": clock.agreeing,
        "spread_s": seconds(clock.spread_ns) if clock.matches else None,
        "still_off_s": seconds(clock.still_off_ns) if clock.matches else None,
    }


def _device(verdict: Verdict, diagnosis: Diagnosis) -> dict[str, Any]:
    figures, span_ns = verdict.figures, diagnosis.figures.span_ns
    near = diagnosis.near_misses.get(figures.key)
    silences = figures.silences
    longest = silences.longest
    judged = figures.regular and bool(figures.limits.watchdog_ns)
    statuses = figures.statuses
    return {
        "device": figures.key,
        "name": figures.name,
        "masters": figures.masters,
        "regular": figures.regular,
        "requests": figures.requests,
        "answered": figures.answered,
        "unanswered": statuses["unanswered"],
        "open_at_end": statuses[STATUS_NAMES[0]],
        **{name.replace("-", "_"): statuses[name] for name in _OWN_COUNTS},
        "orphan_replies": statuses["orphan"],
        "resent_requests": figures.resent,
        "sent_again_by_tcp": figures.sent_again,
        "exceptions": {str(code): count for code, count in figures.exceptions.items()},
        "functions": {str(code): count for code, count in figures.functions.items()},
        "block_sizes": {
            str(code): {str(size): count for size, count in sizes.items()}
            for code, sizes in figures.block_sizes.items()
        },
        "requests_per_s": per_second(figures.requests, span_ns),
        "reads_per_s": per_second(figures.reads, span_ns),
        "busiest_second_reads": figures.busiest.reads,
        "reply_ms": in_milliseconds(figures.reply),
        "service_ms": in_milliseconds(figures.service),
        **_silence(longest),
        "open_silence_start_s": seconds(silences.start_ns),
        "open_silence_end_s": seconds(silences.end.length_ns) if silences.end else None,
        "watchdog_s": seconds(figures.limits.watchdog_ns),
        "margin": ratio(verdict.margin),
        "spare_polls": verdict.spare_polls,
        "watchdog_due": silences.certain + (silences.end_is_due == "certain") if judged else None,
        "watchdog_possibly_due": silences.possible + (silences.end_is_due == "possible") if judged else None,
        "supported_timeout_s": seconds(verdict.supported_timeout_ns),
        "supported_timeout": supported_dict(verdict.supported) if verdict.supported else None,
        "near_misses": near_misses_dict(near) if near else None,
        "state": verdict.state,
        "polls": [_poll(poll) for poll in figures.polls],
    }


def _silence(longest: Silence | None) -> dict[str, Any]:
    return {
        "longest_silence_s": seconds(longest.length_ns) if longest else None,
        "longest_silence_at": moment_or_none(longest.from_ns) if longest else None,
        "longest_silence_min_s": seconds(longest.shortest_ns) if longest else None,
        "longest_silence_max_s": seconds(longest.longest_ns) if longest else None,
    }


def _poll(poll: PollFigures) -> dict[str, Any]:
    made: dict[str, Any] = {
        "master": poll.master,
        "function": poll.function,
        "start": poll.start,
        "quantity": poll.quantity,
    }
    if poll.write_start is not None:
        made |= {"write_start": poll.write_start, "write_quantity": poll.write_quantity}
    period = in_seconds(poll.period) if poll.kind == "cyclic" else None
    return made | {"count": poll.count, "kind": poll.kind, "period_s": period}


def _endpoint(endpoint: Endpoint) -> dict[str, Any]:
    return {
        "endpoint": endpoint.key,
        "reads": endpoint.load.reads,
        "busiest_second_reads": endpoint.load.second.reads,
        "busiest_ten_seconds_reads": endpoint.load.ten_seconds.reads,
        "masters": [_habits(habits, endpoint) for habits in endpoint.habits],
    }


def _habits(habits: MasterHabits, endpoint: Endpoint) -> dict[str, Any]:
    load = endpoint.by_master.get(habits.master)
    return {
        "master": habits.master,
        "requests": habits.requests,
        "busiest_second_reads": load.second.reads if load else 0,
        "busiest_ten_seconds_reads": load.ten_seconds.reads if load else 0,
        "connections": habits.connections,
        "timeout_ms": milliseconds(habits.timeout_ns),
        "tries": habits.tries,
        "reconnect_ms": milliseconds(habits.reconnect_ns),
    }


def _incident(incident: Incident) -> dict[str, Any]:
    return {
        "incident": incident.number,
        "devices": list(incident.devices),
        "from": moment(incident.from_ns),
        "until": moment(incident.until_ns),
        "cause": incident.cause,
        "first": list(incident.first),
        "consequences": [{"cause": code, "devices": list(own)} for code, own in incident.consequences],
        "text": incident.text,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "level": finding.level,
        "device": finding.device,
        "devices": list(finding.devices) or [finding.device],
        "name": finding.name,
        "from": moment_or_none(finding.from_ns),
        "until": moment_or_none(finding.until_ns),
        "certainty": finding.certainty,
        "cause": finding.cause,
        "cause_certainty": finding.cause_certainty,
        "against": list(finding.against),
        "rivals": [{"cause": cause, "why": why} for cause, why in finding.rivals],
        "would_decide": list(finding.would_decide),
        "incident": finding.incident,
        "text": finding.text,
        "advice": finding.advice,
        "evidence": [frame_dict(e) for e in finding.evidence],
        "recovery": recovery_dict(finding.recovery) if finding.recovery else None,
    }
