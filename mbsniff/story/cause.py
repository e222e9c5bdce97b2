"""A silence, or a moment with what was written, in; its cause argued out: for it, against others, what decides."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import zip_longest

import numpy as np

from mbsniff.diagnose.causes import cause_of
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.watchdog import TOO_SLOWLY
from mbsniff.diagnose.wording import named
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Scope
from mbsniff.story.story import Argued
from mbsniff.story.times import Times
from mbsniff.story.written import Written

NEARLY = 0.5  # of the timeout: shorter silences need no cause


def argue(scope: Scope, finding: Finding | None, written: list[Written], times: Times) -> Argued | None:
    """The cause of the silence; of a moment without one, a setpoint that stood at zero."""
    if (
        finding is not None and finding.cause == TOO_SLOWLY
    ):  # every silence is, so that none has a cause of its own
        text = times.localized(
            finding.text.removeprefix(f"{named(scope.device.key, scope.device.name)}: "), scope.from_ns
        )
        return Argued(TOO_SLOWLY, finding.certainty, text, finding.evidence, (), (), ())
    if scope.silence is None:
        return _commanded(scope, written, times)
    if scope.master is not None:
        return None
    timeout_ns = scope.device.limits.watchdog_ns or 0
    if scope.silence.length_ns < NEARLY * timeout_ns:  # nothing out of the ordinary
        return None
    limit_ns = scope.limit_ns or max(scope.silence.shortest_ns - 1, 1)
    cause = cause_of(scope.case, scope.device, scope.silence, limit_ns)
    near_ns = scope.from_ns
    return Argued(
        cause.code, cause.certainty, times.localized(cause.text, near_ns), cause.evidence,
        tuple(times.localized(text, near_ns) for text in getattr(cause, "against", ())),
        tuple(times.localized(text, near_ns) for text in getattr(cause, "would_decide", ())),
        tuple((code, times.localized(text, near_ns)) for code, text in getattr(cause, "rivals", ())),
    )  # fmt: skip


def _commanded(scope: Scope, written: list[Written], times: Times) -> Argued | None:
    """A value that had not been zero was written to zero, and stood there at some time of the stretch told of."""
    for own in sorted(written, key=lambda w: (not _is_setpoint(scope, w), w.trace.register.first)):
        for first, end in _zeros(own):
            begins_ns, ends_ns = (
                int(own.trace.times_ns[k]) if k is not None else 2**62 for k in (first, end)
            )
            if begins_ns <= scope.until_ns and ends_ns >= scope.from_ns:
                return _argued(scope, own, first, end, times)
    return None


def _zeros(own: Written) -> Iterator[tuple[int, int | None]]:
    """(the write to zero, the next write of another value) of each time at zero."""
    trace = own.trace
    changes = np.flatnonzero(trace.changes).tolist() if not own.is_reset else []
    for k, following in zip_longest(changes, changes[1:]):
        if trace.values[k] == 0:
            yield k, following


def _argued(scope: Scope, own: Written, first: int, end: int | None, times: Times) -> Argued:
    trace = own.trace
    master = master_called(scope.case, scope.case.figures.groups.masters[int(trace.masters[first])])
    before = own.amount(int(np.flatnonzero(trace.accepted[:first])[-1]))
    until = (
        f" until {times.clock(int(trace.times_ns[end]))} ({own.amount(end)} then)" if end is not None else ""
    )
    text = (
        f"{master} itself wrote {own.value_text(first)} at {times.clock(int(trace.times_ns[first]))} (before: {before})"
        f"{until}, and {called(scope.device)} went on being asked: no communication fault"
    )
    rows = [int(trace.rows[k]) for k in (first, end) if k is not None]
    return Argued("commanded", "likely", text, scope.case.request_frames(rows), (), (), ())


def _is_setpoint(scope: Scope, own: Written) -> bool:
    """Whether writes of it feed the watchdog, or the site names what should follow it."""
    register = own.trace.register
    fed = scope.device.limits.fed_by
    ranges = fed.ranges if fed.kind == "write" else ()
    return bool(register.feedback) or any(a <= register.last and register.first <= b for a, b in ranges)
