"""What a story is about in, its headline and first paragraph out."""

from __future__ import annotations

from mbsniff.diagnose.finding import Diagnosis
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.wording import between, duration
from mbsniff.story.kinds import SIGNS
from mbsniff.story.marks import due_text
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Scope, feeds_of
from mbsniff.story.story import Argued, Step
from mbsniff.story.subject import Subject
from mbsniff.story.times import Times


def headline(scope: Scope, times: Times) -> str:
    """Who, and when."""
    day = times.day(scope.from_ns)
    span = f"{times.clock(scope.from_ns)} to {times.clock(scope.until_ns)}"
    return f"What happened to {called(scope.device)} on {day}, {span} ({times.name(scope.from_ns)})"


def summary(
    subject: Subject, diagnosis: Diagnosis, times: Times, cause: Argued | None, steps: list[Step]
) -> str:
    """The first paragraph: how long, whether the watchdog was due, and the cause in a word."""
    scope = subject.scope
    name = called(scope.device)
    if scope.silence is None:
        return _quiet(subject, cause, steps, times)
    silence = scope.silence
    length = between(silence.shortest_ns, silence.longest_ns if silence.longest_ns else silence.length_ns)
    if scope.master is not None:
        master = master_called(scope.case, scope.master)
        return (
            f"{master} sent {name} nothing for {length}. Requests of others kept the watchdog fed, so that "
            f"it was not due, although {master} had no control over {name}."
        )
    text = f"{_introduced(scope)} got no request that feeds its watchdog for {length}"
    told = f"{text}; {_watchdog(scope, times)}.{_incident(subject, diagnosis)}"
    return told + _away(subject)


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


def _away(subject: Subject) -> str:
    """How far the time asked for lies from the story."""
    if subject.asked_ns is None:
        return ""
    before_ns, after_ns = (
        subject.scope.from_ns - subject.asked_ns[1],
        subject.asked_ns[0] - subject.scope.until_ns,
    )
    if max(before_ns, after_ns) <= 0:
        return ""
    side = "after" if after_ns > 0 else "before"
    return f" The time asked for lies {duration(max(before_ns, after_ns))} {side} it."


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
        share = scope.silence.length_ns / timeout_ns if scope.silence else 0
        return f"its watchdog ({duration(timeout_ns)}) was not due: {share:.0%} of its timeout passed"
    return f"its watchdog ({duration(timeout_ns)}) {due}"


def _quiet(subject: Subject, cause: Argued | None, steps: list[Step], times: Times) -> str:
    """Of a moment without a silence that the recording shows whole."""
    scope = subject.scope
    text = _not_fed(scope, times)
    if text is None and scope.device.limits.watchdog_ns:
        text = f"{_introduced(scope)} was fed in time then: no silence came near its watchdog's timeout"
    elif text is None:
        text = f"No silence of {_introduced(scope)} stands out then; no timeout of its watchdog is stated"
    if any(step.kind in SIGNS for step in steps):
        return f"{text}; not everything went well, as told below."
    return f"{text}." if cause else f"{text}; the recording shows no communication cause for anything it did."


def _not_fed(scope: Scope, times: Times) -> str | None:
    """Where the recording begins amid a silence, or has no feed at all; None elsewhere."""
    _, feeds = feeds_of(scope.case, scope.device, None)
    if not len(feeds):
        return f"No request that feeds the watchdog of {_introduced(scope)} is in the recording"
    first_ns, starts_ns = int(scope.case.exchange.request_ns[feeds[0]]), scope.case.facts.starts_ns or 0
    if first_ns <= scope.from_ns:
        return None
    return (
        f"No request that feeds the watchdog of {_introduced(scope)} came before {times.clock(first_ns)}, "
        f"{duration(first_ns - starts_ns)} after the recording begins, so that what was before cannot be told"
    )
