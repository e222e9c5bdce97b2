"""Findings about due watchdogs in, incidents out: the first cause, then its consequences, in one finding."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.diagnose.causes import cause_of
from mbsniff.diagnose.finding import LEVELS, Evidence, Finding
from mbsniff.diagnose.incidents.grouping import STARVED, Part, grouped, parts_of, rank
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.silent import Silences, key_of, silences_by_finding
from mbsniff.diagnose.wording import clock, counted
from mbsniff.errors import one_line
from mbsniff.measure import DeviceFigures
from mbsniff.measure.silences import limit_ns

MOST_FRAMES = 8


@dataclass(frozen=True)
class Incident:
    """Silences that belong together; of one device, or of several."""

    number: int
    """In the order of time, from 1."""
    devices: tuple[str, ...]
    """Keys, by address, port and unit."""
    from_ns: int
    until_ns: int
    cause: str | None
    """The first one."""
    first: tuple[str, ...]
    """The devices that have the first cause."""
    consequences: tuple[tuple[str, tuple[str, ...]], ...]
    """(cause, devices) of the others."""
    text: str


def with_incidents(case: Case, findings: list[Finding]) -> tuple[list[Finding], list[Incident]]:
    """The findings, numbered, and one more for each incident of several devices; all incidents, in time order."""
    parts = parts_of(case, findings)
    groups = sorted(grouped(parts), key=lambda group: (group[0].from_ns, group[0].place))
    numbered, found = list(findings), []
    silences = silences_by_finding(case, {part.device.key for part in parts})
    for number, group in enumerate(groups, 1):
        for part in group:
            numbered[part.place] = replace(part.finding, incident=number)
        incident = _incident(case, number, group, silences)
        found.append(incident)
        if len(incident.devices) > 1:
            numbered.append(_finding(incident, group))
    return numbered, found


def _incident(case: Case, number: int, group: list[Part], silences: Silences) -> Incident:
    first = min(group, key=rank)
    of_cause: dict[str, dict[str, Part]] = defaultdict(dict)
    told: set[str] = set()
    for part in sorted(group, key=rank):
        if part.device.key not in told:
            of_cause[part.finding.cause or ""][part.device.key] = part
            told.add(part.device.key)
    by_device = sorted(group, key=lambda part: part.device.index)
    until_ns = max(part.until_ns for part in group)
    text = first.finding.text
    if len(told) > 1:
        head = f"{counted(len(told), 'device')} without feeds from {clock(group[0].from_ns)} to {clock(until_ns)}"
        text = f"{head}: {_argued(case, first, of_cause, silences)}"
    return Incident(
        number=number,
        devices=tuple(dict.fromkeys(part.device.key for part in by_device)),
        from_ns=group[0].from_ns,
        until_ns=until_ns,
        cause=first.finding.cause,
        first=tuple(of_cause[first.finding.cause or ""]),
        consequences=tuple(
            (code, tuple(own)) for code, own in of_cause.items() if code != first.finding.cause
        ),
        text=text,
    )


def _argued(case: Case, first: Part, of_cause: dict[str, dict[str, Part]], silences: Silences) -> str:
    """The first cause as its silence argues for it, then who has which other cause."""
    told = []
    for code, own in of_cause.items():
        names = folded([_name(part.device) for part in sorted(own.values(), key=lambda p: p.device.index)])
        if code == first.finding.cause:
            is_first = "first " if len(of_cause) > 1 else ""
            told.append(f"{is_first}{names} ({code}): {_why(case, first, len(own), silences)}")
        else:
            told.append(f"{'in consequence' if code == STARVED else 'together with it'} {names} ({code})")
    return "; ".join(told)


def _why(case: Case, first: Part, devices: int, silences: Silences) -> str:
    silent = silences.get(key_of(first.finding))
    if silent is None:
        return first.finding.text.split("; ", 1)[-1]
    text = cause_of(case, *silent, limit_ns(first.device.limits) or 0).text
    return text if devices == 1 else f"of {one_line(_name(first.device))}, {text}"


def _name(device: DeviceFigures) -> str:
    return device.name or device.key


def _finding(incident: Incident, group: list[Part]) -> Finding:
    """An incident of several devices as a finding, as grave as its worst silence."""
    worst = min((part.finding for part in group), key=lambda f: LEVELS.index(f.level))
    first = min(group, key=rank)
    frames = dict.fromkeys([*first.finding.evidence[: MOST_FRAMES // 2], *_first_frames(group)])
    return Finding(
        code="incident",
        level=worst.level,
        device=None,
        name=None,
        from_ns=incident.from_ns,
        until_ns=incident.until_ns,
        certainty=worst.certainty,
        text=incident.text,
        advice=BY_CODE["incident"].advice,
        cause=incident.cause,
        incident=incident.number,
        evidence=tuple(frames)[:MOST_FRAMES],
        devices=incident.devices,
        cause_certainty=first.finding.cause_certainty,
        against=first.finding.against,
        would_decide=first.finding.would_decide,
        rivals=first.finding.rivals,
    )


def _first_frames(group: list[Part]) -> list[Evidence]:
    return [part.finding.evidence[0] for part in group if part.finding.evidence]
