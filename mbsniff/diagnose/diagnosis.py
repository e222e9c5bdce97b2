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
from mbsniff.diagnose.load import load_findings
from mbsniff.diagnose.patterns.rules import pattern_findings
from mbsniff.diagnose.patterns.segments import segment_patterns
from mbsniff.diagnose.recovery.findings import with_recoveries
from mbsniff.diagnose.replies import reply_findings
from mbsniff.diagnose.trust import doubts, vantage_text
from mbsniff.diagnose.watchdog import TOO_SLOWLY, margin, spare_polls, watchdog_findings
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
RESERVE_PERCENT = 20  # added to what the observed polling needs, in the timeout that it could support


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
    findings = _with_incidents(findings)
    findings.sort(key=_severity)
    findings = with_recoveries(case, findings, look)
    own: dict[str, list[Finding]] = {device.key: [] for device in figures.devices}
    place: dict[str, int] = {}
    for number, finding in enumerate(findings):
        own[finding.device or ""].append(finding)
        place.setdefault(finding.device or "", number)
    verdicts = [_verdict(case, device, own[device.key]) for device in figures.devices]
    last = len(findings)
    verdicts.sort(key=lambda v: (STATES.index(v.state), v.incident or 0, place.get(v.figures.key, last)))
    return Diagnosis(
        exchange,
        facts,
        figures,
        site,
        verdicts,
        findings,
        vantage_text(case),
        doubts(case, jumps),
        one_directions(case),
        background_of(case),
        jumps,
    )


def _judged(finding: Finding, device: DeviceFigures) -> Finding:
    """The finding; where the device was only probed it is told, but not held against the device."""
    return finding if device.regular else replace(finding, level="remark")


def _severity(finding: Finding) -> tuple[int, int, int, int, str]:
    begun = finding.from_ns or 0
    length = (finding.until_ns or 0) - begun
    return LEVELS.index(finding.level), SEVERITY[finding.code], -length, begun, finding.device or ""


def _with_incidents(findings: list[Finding]) -> list[Finding]:
    """Number the stretches of time in which watchdogs were due: those that overlap are one incident."""
    due = [f for f in findings if f.code == "watchdog-due" and f.cause != TOO_SLOWLY]
    due.sort(key=lambda f: f.from_ns or 0)
    numbers: dict[int, int] = {}
    number, ends = 0, -1
    for finding in due:
        if (finding.from_ns or 0) > ends:
            number += 1
        ends = max(ends, finding.until_ns or 0)
        numbers[id(finding)] = number
    return [replace(f, incident=numbers[id(f)]) if id(f) in numbers else f for f in findings]


def _verdict(case: Case, device: DeviceFigures, own: list[Finding]) -> Verdict:
    worst = next((f for f in own if f.level != "remark"), None)
    return Verdict(
        figures=device,
        state=_state(case, device, own),
        when_ns=worst.from_ns if worst else None,
        why=_why(worst) if worst else None,
        certainty=worst.certainty if worst else None,
        margin=margin(device) if device.regular else None,
        spare_polls=spare_polls(device) if device.regular else None,
        supported_timeout_ns=_supported_timeout(case, device),
        incident=next((f.incident for f in own if f.incident), None),
    )


def _why(finding: Finding) -> str:
    return finding.cause or BY_CODE[finding.code].brief


def _state(case: Case, device: DeviceFigures, own: list[Finding]) -> State:
    """Due: for certain. Open: not to be told. Risk: anything else that is wrong. Fine: only with a watchdog."""
    due = [f for f in own if f.code == "watchdog-due"]
    certain: list[Certainty] = [f.certainty for f in due]
    if "certain" in certain:
        return "due"
    if any(f.level != "remark" for f in own if f.code != "watchdog-due"):
        return "risk"
    timeout_ns = device.limits.watchdog_ns
    if due or not device.regular or timeout_ns is None or not device.silences.feeds:
        return "open"
    if case.facts.longest_step_ns > timeout_ns > 0:  # a silence may hide where times occur twice
        return "open"
    if device.silences.beyond:  # a jump of the clock, so that its figures are not its own
        return "open"
    return "fine"


def _supported_timeout(case: Case, device: DeviceFigures) -> int | None:
    """Longest silence + time-out × tries + reconnect delay of its slowest master, and a reserve."""
    longest = device.silences.longest
    if not device.regular or longest is None:
        return None
    retries = [
        (h.timeout_ns or 0) * (h.tries or 0) + (h.reconnect_ns or 0 if h.timeout_ns else 0)
        for h in case.endpoint(device).habits
        if h.master in device.masters
    ]
    needed = longest.length_ns + max(retries, default=0)
    return needed + needed * RESERVE_PERCENT // 100
