"""A diagnosis, a way to see frames again and a question in, the Story out: the package's way from end to end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from mbsniff.diagnose.finding import Diagnosis
from mbsniff.diagnose.naming import folded
from mbsniff.exchange import Look
from mbsniff.story.ask import Ask
from mbsniff.story.cause import argue
from mbsniff.story.links import link_moments
from mbsniff.story.marks import mark_moments
from mbsniff.story.masters import master_moments
from mbsniff.story.moments import Moment, Phases, steps_of
from mbsniff.story.names import called, master_called
from mbsniff.story.network import network_moments
from mbsniff.story.others import other_moments
from mbsniff.story.recording import recording_moments
from mbsniff.story.recovery import is_told_by_status, recovery_moments, recovery_text, seen_recovery
from mbsniff.story.requests import healthy_moments, request_moments
from mbsniff.story.story import Story
from mbsniff.story.subject import Subject, subject_of
from mbsniff.story.summary import headline, summary
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
    cause = argue(scope, subject.finding, written, times)
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
        headline=headline(scope, times),
        summary=summary(subject, diagnosis, times, cause, steps),
        is_fault=subject.finding is not None and subject.finding.level == "fault",
        incident=subject.finding.incident if subject.finding else None,
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
