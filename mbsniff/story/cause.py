"""A silence, or a moment with what was written, in; its cause argued out: for it, against others, what decides."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes import cause_of
from mbsniff.diagnose.finding import Evidence
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Scope
from mbsniff.story.story import Argued
from mbsniff.story.times import Times
from mbsniff.story.written import Written, in_force

NEARLY = 0.5  # of the timeout: shorter silences need no cause


def argue(scope: Scope, written: list[Written], times: Times) -> Argued | None:
    """The cause of the silence; of a moment without one, a setpoint that stood at zero."""
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
    """A value that had not been zero was written to zero, and stood there."""
    for own in sorted(written, key=lambda w: (not _is_setpoint(scope, w), w.trace.register.first)):
        at = None if own.is_reset else in_force(own, scope.until_ns)
        if at is None:
            continue
        since, _ = at
        earlier = np.flatnonzero(own.trace.accepted[:since])
        if own.trace.values[since] != 0 or not own.trace.changes[since] or not len(earlier):
            continue
        row = int(own.trace.rows[since])
        master = master_called(scope.case, scope.case.figures.groups.masters[int(own.trace.masters[since])])
        text = (
            f"{master} itself wrote {own.value_text(since)} at {times.clock(int(own.trace.times_ns[since]))} "
            f"(before: {own.amount(int(earlier[-1]))}), and {called(scope.device)} went on being asked: no "
            "communication fault"
        )
        return Argued("commanded", "likely", text, (_frame(scope.case, row),), (), (), ())
    return None


def _is_setpoint(scope: Scope, own: Written) -> bool:
    """Whether writes of it feed the watchdog, or the site names what should follow it."""
    register = own.trace.register
    fed = scope.device.limits.fed_by
    ranges = fed.ranges if fed.kind == "write" else ()
    return bool(register.feedback) or any(a <= register.last and register.first <= b for a, b in ranges)


def _frame(case: Case, row: int) -> Evidence:
    return case.request_frames([row])[0]
