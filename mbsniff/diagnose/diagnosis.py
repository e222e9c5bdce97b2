"""A measured recording in, its Diagnosis out: every rule for every device, incidents, verdicts, worst first."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.catalogue import BY_CODE, SEVERITY
from mbsniff.diagnose.clock_jumps import clock_jumps, without_jumps
from mbsniff.diagnose.commanded import command_findings
from mbsniff.diagnose.finding import LEVELS, STATES, Certainty, Diagnosis, Finding, State, Verdict
from mbsniff.diagnose.hearing import background_of, one_directions
from mbsniff.diagnose.incidents import Incident, with_incidents
from mbsniff.diagnose.load import load_findings
from mbsniff.diagnose.near_misses import near_miss_findings, near_misses
from mbsniff.diagnose.patterns.rules import pattern_findings
from mbsniff.diagnose.patterns.segments import segment_patterns
from mbsniff.diagnose.replies import reply_findings
from mbsniff.diagnose.timeouts import SupportedTimeout, supported_timeout, timeout_advice
from mbsniff.diagnose.trust import doubts, vantage_text
from mbsniff.diagnose.watchdog import margin, spare_polls, watchdog_findings
from mbsniff.exchange import Exchange, Look, RecordingFacts
from mbsniff.measure import DeviceFigures, Figures
from mbsniff.site import Site

RULES: tuple[Callable[[Case, DeviceFigures], Iterator[Finding]], ...] = (
    watchdog_findings,
    command_findings,
    load_findings,
    reply_findings,
    pattern_findings,
)
ABOUT_TIMEOUTS = frozenset({"watchdog-close", "near-misses"})


def diagnose(
    exchange: Exchange, facts: RecordingFacts, figures: Figures, site: Site, look: Look | None = None
) -> Diagnosis:
    """Apply every rule to every device.

    ``look``: a way to see frames again, for what status registers said and how messages lay in segments.
    """
    case = Case(exchange, facts, figures, site)
    findings = [
        _judged(f, device) for device in figures.devices for rule in RULES for f in rule(case, device)
    ]
    findings += segment_patterns(case, look)
    jumps = clock_jumps(case, findings, look)
    findings = without_jumps(case, findings, jumps)
    misses = near_misses(case)
    findings += near_miss_findings(case, misses)
    findings, incidents = with_incidents(case, findings)
    findings.sort(key=_severity(incidents))
    findings = _with_recoveries(case, findings, look)
    supported = {device.key: supported_timeout(case, device) for device in figures.devices}
    findings = [_with_timeout_advice(case, f, supported.get(f.device or "")) for f in findings]
    own: dict[str, list[Finding]] = {device.key: [] for device in figures.devices}
    place: dict[str, int] = {}
    for number, finding in enumerate(findings):
        if finding.device is not None:  # an incident's stands with each of its devices' own
            own[finding.device].append(finding)
            place.setdefault(finding.device, number)
    shared = {incident.number for incident in incidents if len(incident.devices) > 1}
    verdicts = [
        _verdict(case, device, own[device.key], supported[device.key], shared) for device in figures.devices
    ]
    verdicts = _worst_first(verdicts, [place.get(v.figures.key, len(findings)) for v in verdicts])
    return Diagnosis(
        exchange,
        facts,
        figures,
        site,
        verdicts,
        findings,
        vantage_text(case),
        doubts(case, jumps),
        incidents,
        misses,
        one_directions(case),
        background_of(case),
        jumps,
    )


def _judged(finding: Finding, device: DeviceFigures) -> Finding:
    """The finding; where the device was only probed it is told, but not held against the device."""
    return finding if device.regular else replace(finding, level="remark")


def _severity(incidents: list[Incident]) -> Callable[[Finding], tuple[object, ...]]:
    """The key to sort by: level and code, then the longest first; what belongs to one incident stands together."""
    lengths = {incident.number: incident.until_ns - incident.from_ns for incident in incidents}
    first = {incident.number: incident.cause for incident in incidents}

    def key(finding: Finding) -> tuple[object, ...]:
        begun, number = finding.from_ns or 0, finding.incident or 0
        length = (finding.until_ns or 0) - begun
        within = (
            -lengths.get(number, length),
            number,
            finding.cause != first.get(number),
            finding.cause or "",
        )
        return (
            LEVELS.index(finding.level),
            SEVERITY[finding.code],
            *within,
            -length,
            begun,
            finding.device or "",
        )

    return key


def _with_recoveries(case: Case, findings: list[Finding], look: Look | None) -> list[Finding]:
    """The findings; to due watchdogs, how the device came back, which takes a part of the code of its own."""
    if not any(finding.code == "watchdog-due" for finding in findings):
        return findings
    from mbsniff.diagnose.recovery.findings import with_recoveries

    return with_recoveries(case, findings, look)


def _with_timeout_advice(case: Case, finding: Finding, supported: SupportedTimeout | None) -> Finding:
    """The finding; where it is about a timeout that was nearly over, with what the polling could support."""
    about = supported if finding.code in ABOUT_TIMEOUTS else None
    advice = timeout_advice(case, about) if about else None
    return replace(finding, advice=f"{finding.advice} {advice}") if advice else finding


def _verdict(
    case: Case,
    device: DeviceFigures,
    own: list[Finding],
    supported: SupportedTimeout | None,
    shared: set[int],
) -> Verdict:
    numbers = [f.incident for f in own if f.incident]
    incident = next((n for n in numbers if n in shared), numbers[0] if numbers else None)
    worst = next((f for f in own if f.level != "remark"), None)
    return Verdict(
        figures=device,
        state=_state(case, device, own),
        when_ns=worst.from_ns if worst else None,
        why=_why(worst) if worst else None,
        certainty=(worst.cause_certainty or worst.certainty) if worst else None,
        margin=margin(device) if device.regular else None,
        spare_polls=spare_polls(device) if device.regular else None,
        supported=supported,
        incident=incident,
        with_others=incident in shared,
    )


def _why(finding: Finding) -> str:
    return finding.cause or BY_CODE[finding.code].brief


def _worst_first(verdicts: list[Verdict], places: list[int]) -> list[Verdict]:
    """By state, then by the place of the first finding; an incident's devices stand together where its worst would."""
    states = [STATES.index(v.state) for v in verdicts]
    own = sorted(zip(states, places, range(len(verdicts)), strict=True))
    leads: dict[int, tuple[int, int]] = {}  # by incident: the least state and place of its devices
    for state, place, k in own:
        if number := verdicts[k].incident:
            lead = leads.get(number, (state, place))
            leads[number] = (lead[0], min(lead[1], place))

    def key(one: tuple[int, int, int]) -> tuple[tuple[int, int], int, tuple[int, int, int]]:
        number = verdicts[one[2]].incident
        return (leads[number], number, one) if number else (one[:2], 0, one)

    return [verdicts[k] for _, _, k in sorted(own, key=key)]


def _state(case: Case, device: DeviceFigures, own: list[Finding]) -> State:
    """Due: for certain. Open: not to be told. Risk: anything else that is wrong. Fine: only with a watchdog."""
    due = [f for f in own if f.code == "watchdog-due"]
    certain: list[Certainty] = [f.certainty for f in due]
    if "certain" in certain:
        return "due"
    doubtful = due + [f for f in own if f.code == "watchdog-close" and f.certainty == "open"]
    if any(f.level != "remark" for f in own if f not in doubtful):
        return "risk"
    timeout_ns = device.limits.watchdog_ns
    if doubtful or not device.regular or timeout_ns is None or not device.silences.feeds:
        return "open"
    if case.facts.longest_step_ns > timeout_ns > 0:  # a silence may hide where times occur twice
        return "open"
    if device.silences.beyond:  # a jump of the clock, so that its figures are not its own
        return "open"
    return "fine"
