"""Findings, worst first, and a way to see frames again in, the same with recoveries and what devices say out."""

from __future__ import annotations

from dataclasses import replace

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Evidence, Finding
from mbsniff.diagnose.recovery.facts import Recovery
from mbsniff.diagnose.recovery.find import recoveries
from mbsniff.diagnose.recovery.words import proof_text
from mbsniff.diagnose.silent import Silent, key_of, silences_by_finding
from mbsniff.errors import CaptureError
from mbsniff.exchange import Look

MOST_FOLLOWED = 100  # silences, of the worst findings, whose recoveries are looked at


def with_recoveries(case: Case, findings: list[Finding], look: Look | None) -> list[Finding]:
    """The findings; to those about one silence in which a watchdog was due, how the device came back is added."""
    places = [k for k, f in enumerate(findings) if f.code == "watchdog-due"][:MOST_FOLLOWED]
    silences = silences_by_finding(case, {findings[k].device or "" for k in places})
    found = {k: s for k in places if (s := silences.get(key_of(findings[k])))}
    told = _seen_again(case, list(found.values()), look)
    changed = list(findings)
    for k, recovery in zip(found, told, strict=True):
        changed[k] = _with(findings[k], recovery)
    return changed


def _seen_again(case: Case, silences: list[Silent], look: Look | None) -> list[Recovery]:
    """The recoveries; without a second look where the recording is not there any more."""
    try:
        return recoveries(case, silences, look)
    except CaptureError:
        return recoveries(case, silences, None)


def _with(finding: Finding, recovery: Recovery) -> Finding:
    said = proof_text(recovery.proof)
    text = f"{finding.text}. {said[0].upper()}{said[1:]}" if said else finding.text
    evidence = (*finding.evidence, *_readings(recovery)) if said else finding.evidence
    return replace(finding, text=text, evidence=tuple(dict.fromkeys(evidence)), recovery=recovery)


def _readings(recovery: Recovery) -> list[Evidence]:
    proof = recovery.proof
    return [r.evidence for r in (proof.fell_back, proof.clear) if r] if proof else []
