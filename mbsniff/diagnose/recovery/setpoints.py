"""Traces of a device's writes in, those of setpoints and resets out, and what they held at a time."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery.facts import Reset, Step, WrittenValue
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.measure import DeviceFigures
from mbsniff.site import Device, Limits


def setpoint_traces(device: DeviceFigures, declared: Device | None, found: list[Trace]) -> list[Trace]:
    """The traces of what drives the process: the first of these kinds that the device has.

    Declared registers with an engineering unit or a feedback; addresses whose writes feed the watchdog, unless only
    a change does (a life sign); the value that was written most often. Never the reset register.
    """
    reset = declared.reset_register if declared else None
    writes = [t for t in found if reset is None or not reset.touches(t.register.table, t.register.first)]
    named = [t for t in writes if t.declared and (t.register.engineering_unit or t.register.feedback)]
    feeding = [t for t in writes if _feeds(t, device.limits)]
    return named or feeding or sorted(writes, key=lambda t: -len(t.rows))[:1]


def _feeds(trace: Trace, limits: Limits) -> bool:
    fed, register = limits.fed_by, trace.register
    if fed.kind != "write" or fed.change:
        return False
    return any(first <= register.last and register.first <= last for first, last in fed.ranges)


def reset_traces(declared: Device | None, found: list[Trace]) -> list[Trace]:
    """The traces of the reset register, where the site names one."""
    reset = declared.reset_register if declared else None
    return [t for t in found if reset is not None and reset.touches(t.register.table, t.register.first)]


def last_written(case: Case, trace: Trace, until_ns: int) -> WrittenValue | None:
    """What was last written, and not refused, before a time."""
    taken = np.flatnonzero(trace.accepted & (trace.times_ns < until_ns))
    if not len(taken):
        return None
    k = int(taken[-1])
    row, at_ns = int(trace.rows[k]), int(trace.times_ns[k])
    return WrittenValue(
        register=trace.register,
        declared=trace.declared,
        label=trace.register.label(trace.device.limits.numbering),
        value=float(trace.values[k]) if trace.known[k] else None,
        at_ns=at_ns,
        age_ns=until_ns - at_ns,
        row=row,
        evidence=case.request_frames([row])[0],
    )


def first_written(case: Case, traces: list[Trace], from_ns: int) -> Step | None:
    """The first write from a time on that was not refused."""
    found: list[tuple[int, int]] = []
    for trace in traces:
        places = np.flatnonzero(trace.accepted & (trace.times_ns >= from_ns))
        if len(places):
            found.append((int(trace.times_ns[places[0]]), int(trace.rows[places[0]])))
    if not found:
        return None
    at_ns, row = min(found)
    return Step(at_ns, row, case.request_frames([row])[0])


def resets(
    case: Case, traces: list[Trace], due_ns: int, until_ns: int, horizon_ns: int, *, returned: bool
) -> tuple[Reset, ...]:
    """Writes of anything but 0 to the reset register: all into the silence, and the first after it."""
    found = []
    for trace in traces:
        is_reset = (trace.raw != 0).any(axis=1) & (trace.times_ns >= due_ns) & (trace.times_ns < horizon_ns)
        for k in np.flatnonzero(is_reset).tolist():
            at_ns, row = int(trace.times_ns[k]), int(trace.rows[k])
            is_after = returned and at_ns >= until_ns
            arriving = at_ns - until_ns if is_after else None
            found.append(Reset(at_ns, row, case.request_frames([row])[0], arriving))
            if is_after:
                break
    return tuple(sorted(found, key=lambda r: (r.at_ns, r.row)))
