"""Findings about due watchdogs in, those that belong together as incidents out: first cause, then consequences."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.diagnose.causes import cause_of
from mbsniff.diagnose.finding import LEVELS, Evidence, Finding
from mbsniff.diagnose.recovery.findings import Silences, key_of, silences_by_finding
from mbsniff.diagnose.timeouts import feeding_masters
from mbsniff.diagnose.watchdog import TOO_SLOWLY
from mbsniff.diagnose.wording import clock, counted, folded
from mbsniff.measure import DeviceFigures
from mbsniff.measure.silences import limit_ns

TOGETHER_PERIODS = (
    1.5  # last feeds that lie within so many polling periods: what stopped them came at one moment
)
STARVED = "starved-by-neighbour"
OF_MASTERS = frozenset({"master-stopped", "master-not-heard", "poll-dropped", "connection-ended", STARVED})
OF_THE_PATH = frozenset({"device-unreachable", "path-event"})
OF_ONE_DEVICE = frozenset({
    "device-unreachable", "device-stalled", "device-slow", "device-saturated", "replies-late", "target-dead",
    "flow-dead", "device-restarted", "connect-refused", "address-conflict", "address-moved", "connection-ended",
})  # fmt: skip
WEAK = frozenset({"none-seen"})  # says nothing that would speak against belonging to another's cause
FIRST = ("path-event", "master-stopped", "master-not-heard")  # these explain the others of their kind
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


@dataclass(frozen=True)
class _Part:
    """One finding about a silence, with what it is grouped by."""

    place: int
    """Of the finding in the list."""
    finding: Finding
    device: DeviceFigures
    masters: tuple[str, ...]
    from_ns: int
    until_ns: int
    together_ns: int
    """How much later another silence may begin and still have begun together with this one."""


def with_incidents(case: Case, findings: list[Finding]) -> tuple[list[Finding], list[Incident]]:
    """The findings, numbered, and one more for each incident of several devices; all incidents, in time order."""
    parts = _parts(case, findings)
    groups = sorted(_grouped(parts), key=lambda group: (group[0].from_ns, group[0].place))
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


def _parts(case: Case, findings: list[Finding]) -> list[_Part]:
    """Those about one silence each, in time order; polling that is always too slow is no incident."""
    devices = {device.key: device for device in case.figures.devices}
    made = []
    for place, finding in enumerate(findings):
        if finding.code != "watchdog-due" or finding.cause in (None, TOO_SLOWLY) or finding.from_ns is None:
            continue
        device = devices[finding.device or ""]
        fastest = device.fastest_feeding_poll
        pace = fastest.period.median if fastest and fastest.period else (device.limits.watchdog_ns or 0) // 2
        until_ns = finding.until_ns if finding.until_ns is not None else finding.from_ns
        together_ns = round(TOGETHER_PERIODS * pace)
        masters = tuple(feeding_masters(device))
        made.append(_Part(place, finding, device, masters, finding.from_ns, until_ns, together_ns))
    return sorted(made, key=lambda part: (part.from_ns, part.place))


def _grouped(parts: list[_Part]) -> list[list[_Part]]:
    """What belongs together, each group in time order."""
    belongs = list(range(len(parts)))

    def root(k: int) -> int:
        while belongs[k] != k:
            belongs[k] = belongs[belongs[k]]
            k = belongs[k]
        return k

    for a, b in (*_begun_together(parts), *_went_on(parts), *_starved(parts)):
        low, high = sorted((root(a), root(b)))
        belongs[high] = low
    groups: dict[int, list[_Part]] = defaultdict(list)
    for k, part in enumerate(parts):
        groups[root(k)].append(part)
    return list(groups.values())


def _keys(part: _Part) -> Iterator[tuple[str, str]]:
    """Silences that begin together belong together where they share one of these."""
    code = part.finding.cause or ""
    if code in OF_MASTERS | WEAK:
        yield from (("master", master) for master in part.masters)
    else:
        yield ("path", "") if code in OF_THE_PATH else ("cause", code)


def _begun_together(parts: list[_Part]) -> Iterator[tuple[int, int]]:
    """Pairs with one cause, path or master whose last feeds lie within a polling period."""
    begun: dict[tuple[str, str], int] = {}
    for k, part in enumerate(parts):
        for key in _keys(part):
            first = begun.setdefault(key, k)
            reach_ns = max(part.together_ns, parts[first].together_ns)
            if part.from_ns - parts[first].from_ns > reach_ns:
                begun[key] = k
            elif first != k:
                yield first, k


def _went_on(parts: list[_Part]) -> Iterator[tuple[int, int]]:
    """Pairs of one device of which the later begins where the earlier ends, with nothing that tells them apart."""
    last: dict[int, int] = {}
    for k, part in enumerate(parts):
        before = last.get(part.device.index)
        if before is not None:
            causes = {part.finding.cause or "", parts[before].finding.cause or ""}
            if part.from_ns <= parts[before].until_ns and len(causes - WEAK) < 2:
                yield before, k
        last[part.device.index] = k


def _starved(parts: list[_Part]) -> Iterator[tuple[int, int]]:
    """Pairs of a device that a master kept waiting for, and one that was starved by it meanwhile."""
    waited_for: dict[str, list[int]] = defaultdict(list)
    for k, part in enumerate(parts):
        if part.finding.cause in OF_ONE_DEVICE:
            for master in part.device.masters:
                waited_for[master].append(k)
    for k, part in enumerate(parts):
        if part.finding.cause == STARVED:
            dead = (n for master in part.masters for n in waited_for[master])
            meanwhile = (
                n for n in dead if parts[n].from_ns < part.until_ns and part.from_ns < parts[n].until_ns
            )
            first = next(meanwhile, None)
            if first is not None:
                yield first, k


def _rank(part: _Part) -> tuple[bool, bool, int, int, int]:
    """The first cause first: what is no consequence and known, then what explains others, then the earliest."""
    code = part.finding.cause or ""
    explains = FIRST.index(code) if code in FIRST else len(FIRST)
    return code in WEAK, code == STARVED, explains, part.from_ns, part.place


def _incident(case: Case, number: int, group: list[_Part], silences: Silences) -> Incident:
    first = min(group, key=_rank)
    of_cause: dict[str, dict[str, _Part]] = defaultdict(dict)
    told: set[str] = set()
    for part in sorted(group, key=_rank):
        if part.device.key not in told:
            of_cause[part.finding.cause or ""][part.device.key] = part
            told.add(part.device.key)
    by_device = sorted(group, key=lambda part: part.device.index)
    until_ns = max(part.until_ns for part in group)
    head = f"{counted(len(told), 'device')} from {clock(group[0].from_ns)} to {clock(until_ns)}"
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
        text=f"{head}: {_argued(case, first, of_cause, silences)}",
    )


def _argued(
    case: Case, first: _Part, of_cause: dict[str, dict[str, _Part]],
    silences: Silences,
) -> str:  # fmt: skip
    """The first cause as its silence argues for it, then who has which other cause."""
    parts = []
    for code, own in of_cause.items():
        names = folded([_name(part.device) for part in _in_order(own.values())])
        if code == first.finding.cause:
            parts.append(f"first {names} ({code}): {_why(case, first, len(own), silences)}")
        else:
            parts.append(f"{'in consequence' if code == STARVED else 'together with it'} {names} ({code})")
    return "; ".join(parts)


def _in_order(parts: Iterable[_Part]) -> list[_Part]:
    return sorted(parts, key=lambda part: part.device.index)


def _why(case: Case, first: _Part, devices: int, silences: Silences) -> str:
    silent = silences.get(key_of(first.finding))
    if silent is None:
        return first.finding.text.split("; ", 1)[-1]
    text = cause_of(case, *silent, limit_ns(first.device.limits) or 0).text
    return text if devices == 1 else f"of {_name(first.device)}, {text}"


def _name(device: DeviceFigures) -> str:
    return device.name or device.key


def _finding(incident: Incident, group: list[_Part]) -> Finding:
    """An incident of several devices as a finding, as grave as its worst silence."""
    worst = min((part.finding for part in group), key=lambda f: LEVELS.index(f.level))
    first = min(group, key=_rank)
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
    )


def _first_frames(group: list[_Part]) -> list[Evidence]:
    return [part.finding.evidence[0] for part in group if part.finding.evidence]
