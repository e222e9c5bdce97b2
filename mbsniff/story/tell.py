"""A diagnosis, a way to see frames again and a question in, the Story out: the package's way from end to end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from mbsniff.diagnose.finding import Diagnosis
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.wording import between, duration
from mbsniff.exchange import Look
from mbsniff.story.ask import Ask
from mbsniff.story.cause import argue
from mbsniff.story.kinds import SIGNS
from mbsniff.story.links import link_moments
from mbsniff.story.marks import due_text, mark_moments
from mbsniff.story.masters import master_moments
from mbsniff.story.moments import Moment, Phases, steps_of
from mbsniff.story.names import called, master_called
from mbsniff.story.network import network_moments
from mbsniff.story.others import other_moments
from mbsniff.story.recording import recording_moments
from mbsniff.story.recovery import is_told_by_status, recovery_moments, recovery_text, seen_recovery
from mbsniff.story.requests import healthy_moments, request_moments
from mbsniff.story.scope import Scope
from mbsniff.story.story import Argued, Step, Story
from mbsniff.story.subject import Subject, subject_of
from mbsniff.story.times import Times
from mbsniff.story.unseen import unseen
from mbsniff.story.written import Written, force_moments, written_moments, written_of


def tell(
    diagnosis: Diagnosis, look: Look | None, ask: Ask, times: Times, *, fold: bool = True
) -> Story | None:
    """The story asked for; None where nothing was asked for and nothing is wrong.

    ``fold`` False: every single moment. Raises AskError for a device, time or incident that is not there.
    """
    subject = subject_of(diagnosis, ask, times)
    if subject is None:
        return None
    scope, written = subject.scope, written_of(subject.scope)
    recovery = seen_recovery(scope, look)
    cause = argue(scope, written, times)
    if cause and cause.code == "recording-gap":
        subject = replace(subject, scope=replace(scope, is_doubted=True))
        scope = subject.scope
    phases = Phases(scope.from_ns, scope.until_ns)
    moments = [*_moments(subject, diagnosis, written, times), *recovery_moments(scope, recovery)]
    moments += network_moments(scope, {m.who for m in moments if m.kind == "asked-nobody"})
    steps = steps_of(moments, scope.case, times, phases, fold=fold)
    feeding = scope.feeding_masters
    master = (
        folded([master_called(scope.case, scope.case.figures.groups.masters[m]) for m in feeding])
        or "the master"
    )
    code = cause.code if cause else subject.finding.code if subject.finding else None
    return Story(
        diagnosis, times, scope.device, scope.from_ns, scope.until_ns,
        headline=_headline(scope, times),
        summary=_summary(subject, diagnosis, times, cause, steps),
        is_fault=subject.finding is not None and subject.finding.level == "fault",
        steps=steps,
        cause=cause,
        recovery=recovery_text(scope, recovery, times),
        unseen=[
            *unseen(diagnosis, code, called(scope.device), master, has_status=is_told_by_status(recovery)),
            *(f"the recording itself: {times.localized(doubt, scope.from_ns)}" for doubt in diagnosis.doubts),
        ],
        scope=scope,
        facts=recovery,
    )  # fmt: skip


def _moments(
    subject: Subject, diagnosis: Diagnosis, written: list[Written], times: Times
) -> Iterator[Moment]:
    """Every source of moments, one after the other."""
    scope = subject.scope
    yield from mark_moments(scope, written, times)
    yield from request_moments(scope)
    yield from healthy_moments(scope)
    yield from written_moments(scope, written)
    yield from force_moments(scope, written) if scope.silence is None else ()
    yield from link_moments(scope)
    yield from master_moments(scope)
    yield from other_moments(scope, diagnosis)
    yield from recording_moments(scope)


def _headline(scope: Scope, times: Times) -> str:
    """Who, and when."""
    day = times.day(scope.from_ns)
    span = f"{times.clock(scope.from_ns)} to {times.clock(scope.until_ns)}"
    return f"What happened to {called(scope.device)} on {day}, {span} ({times.name(scope.from_ns)})"


def _summary(
    subject: Subject, diagnosis: Diagnosis, times: Times, cause: Argued | None, steps: list[Step]
) -> str:
    """The first paragraph: how long, whether the watchdog was due, and the cause in a word."""
    scope = subject.scope
    name = called(scope.device)
    if scope.silence is None:
        return _quiet(subject, cause, steps)
    silence = scope.silence
    length = between(silence.shortest_ns, silence.longest_ns if silence.longest_ns else silence.length_ns)
    if scope.master is not None:
        master = master_called(scope.case, scope.master)
        return (
            f"{master} sent {name} nothing for {length}. Requests of others kept the watchdog fed, so it did "
            f"not trip, although {master} had no control over {name}."
        )
    text = f"{_introduced(scope)} got no request that feeds its watchdog for {length}"
    return f"{text}; {_watchdog(scope, times)}.{_incident(subject, diagnosis)}"


def _incident(subject: Subject, diagnosis: Diagnosis) -> str:
    """How many devices the incident has, and where it began."""
    number = subject.finding.incident if subject.finding else None
    found = next((i for i in diagnosis.incidents if i.number == number and len(i.devices) > 1), None)
    if found is None:
        return ""
    text = f" Incident {found.number} has {len(found.devices)} devices"
    if subject.scope.device.key in found.first:
        return f"{text}."
    names = {d.key: called(d) for d in diagnosis.figures.devices}
    first = folded([names.get(key, key) for key in found.first])
    why = f" ({found.cause})" if found.cause else ""
    return f"{text}; it began with {first}{why}."


def _introduced(scope: Scope) -> str:
    """The device with its address, where it has a name."""
    return f"{called(scope.device)} ({scope.device.key})" if scope.device.name else scope.device.key


def _watchdog(scope: Scope, times: Times) -> str:
    timeout_ns = scope.device.limits.watchdog_ns
    if timeout_ns is None:
        return "its watchdog's timeout is not stated, so whether it was due cannot be told"
    if not timeout_ns:
        return "its watchdog never trips, by the site file"
    due = due_text(scope, times)
    if due is None or scope.silence is None:
        return f"its watchdog ({duration(timeout_ns)}) was not due"
    return f"its watchdog ({duration(timeout_ns)}) {due}"


def _quiet(subject: Subject, cause: Argued | None, steps: list[Step]) -> str:
    """Of a moment without a silence."""
    scope = subject.scope
    text = f"{_introduced(scope)} was fed in time then: no silence came near its watchdog's timeout"
    if not scope.device.limits.watchdog_ns:
        text = f"No silence of {_introduced(scope)} stands out then; no timeout of its watchdog is stated"
    if any(step.kind in SIGNS for step in steps):
        return f"{text}, but not everything went well, as told below."
    return f"{text}." if cause else f"{text}; the recording shows no communication cause for anything it did."
