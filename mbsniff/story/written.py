"""What was written to a device in, moments out: values that changed, those in force, and resets."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.registers.traces import Trace, traces
from mbsniff.errors import one_line
from mbsniff.exchange.columns import OPEN, STATUS_MASK, UNANSWERED, UNKNOWN
from mbsniff.site import Register
from mbsniff.story.moments import Moment
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Scope

OFTEN_LEAST = 10  # writes, of which more than half bring another value: a control output, or a life sign


@dataclass(frozen=True)
class Written:
    """A register's writes, and where in them the story's stretch begins."""

    trace: Trace
    name: str
    is_reset: bool
    before: int
    """How many writes lie before the stretch told of."""

    def amount(self, k: int) -> str:
        """A written value with its unit: "235 °C"."""
        unit = self.trace.register.engineering_unit
        value = self.trace.values[k]
        text = "an unknown value" if np.isnan(value) else f"{value:.6g}"
        return f"{text} {one_line(unit)}" if unit and not np.isnan(value) else text

    def value_text(self, k: int) -> str:
        """The register with the value: "setpoint 235 °C", "holding 40 = 2350" for a raw one."""
        return f"{self.name}{' ' if self.trace.register.name else ' = '}{self.amount(k)}"


def written_of(scope: Scope) -> list[Written]:
    """Everything that was written to the device, a row each register."""
    found = traces(scope.case, scope.device, scope.registers)
    declared = scope.case.site.device_for(scope.device.address, scope.device.port, scope.device.units[0])
    reset = declared.reset_register if declared else None
    return [
        Written(
            trace, _name(trace.register), bool(reset and reset.touches(trace.register.table, trace.register.first)),
            int(np.searchsorted(trace.times_ns, scope.from_ns, side="right")),
        )
        for trace in found
    ]  # fmt: skip


def _name(register: Register) -> str:
    return one_line(register.name)[:60] if register.name else f"{register.table} {register.first}"


def written_moments(scope: Scope, written: list[Written]) -> Iterator[Moment]:
    """Changes of what is written, from a few seconds before to a few after, and each write of a reset."""
    for own in written:
        trace = own.trace
        shown = trace.changes if not own.is_reset else trace.accepted & (trace.values != 0)
        inside = (trace.times_ns >= scope.lead_ns) & (trace.times_ns <= scope.tail_ns)
        for k in np.flatnonzero(shown & inside).tolist():
            yield _write(scope, own, k)


def _write(scope: Scope, own: Written, k: int) -> Moment:
    trace, exchange = own.trace, scope.case.exchange
    row = int(trace.rows[k])
    earlier = np.flatnonzero(trace.accepted[:k])
    what = own.value_text(k)
    if not own.is_reset and len(earlier):
        what += f" (before: {own.amount(int(earlier[-1]))})"
    if int(exchange.status[row]) & STATUS_MASK in (UNANSWERED, OPEN, UNKNOWN):
        what += ", without a reply"
    if own.is_reset:
        frames, name = (int(exchange.request_frame[row]),), called(scope.device)
        return Moment("reset-trip", int(trace.times_ns[k]), frames, _who(scope, trace, k), name, what)
    if len(trace.rows) >= OFTEN_LEAST and 2 * int(trace.changes.sum()) > len(trace.rows):
        return Moment(
            "wrote-often", int(trace.times_ns[k]), (int(exchange.request_frame[row]),),
            _who(scope, trace, k), called(scope.device), what, group=own.name,
        )  # fmt: skip
    to_zero = trace.values[k] == 0 and not own.is_reset
    return Moment(
        "wrote-zero" if to_zero else "wrote", int(trace.times_ns[k]), (int(exchange.request_frame[row]),),
        _who(scope, trace, k), called(scope.device), what, group=own.name,
    )  # fmt: skip


def _who(scope: Scope, trace: Trace, k: int) -> str:
    return master_called(scope.case, scope.case.figures.groups.masters[int(trace.masters[k])])


def in_force(own: Written, at_ns: int) -> tuple[int, int] | None:
    """(the write since which the value holds, the last one before a time); None where nothing was written yet."""
    taken = np.flatnonzero(own.trace.accepted & (own.trace.times_ns <= at_ns))
    if not len(taken):
        return None
    last = int(taken[-1])
    changes = np.flatnonzero(own.trace.changes[: last + 1])
    return (int(changes[-1]) if len(changes) else int(taken[0])), last


def force_moments(scope: Scope, written: list[Written]) -> Iterator[Moment]:
    """What was in force when the moment asked for began, and since when."""
    for own in written:
        found = None if own.is_reset else in_force(own, scope.from_ns)
        if found is None:
            continue
        since, _ = found
        if own.trace.times_ns[since] >= scope.lead_ns and own.trace.changes[since]:
            continue  # told as a change
        changed = bool(own.trace.changes[since])
        earlier = np.flatnonzero(own.trace.accepted[:since])
        before = f" (before: {own.amount(int(earlier[-1]))})" if changed and len(earlier) else ""
        when = "" if changed else ", the same since the recording's first write"
        frame = int(scope.case.exchange.request_frame[own.trace.rows[since]])
        yield Moment(
            "in-force", int(own.trace.times_ns[since]), (frame,), _who(scope, own.trace, since),
            called(scope.device), f"{own.value_text(since)}{before}{when}", group=own.name,
        )  # fmt: skip
