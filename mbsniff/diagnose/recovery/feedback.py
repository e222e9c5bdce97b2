"""Readings of what should follow a setpoint in, whether it left it around a silence, and came back, out."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery.facts import Feedback, Step
from mbsniff.diagnose.recovery.proof import BEFORE, Window
from mbsniff.diagnose.registers.readings import Readings, SecondLook
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.measure import DeviceFigures
from mbsniff.site import Register

NEAR = 0.02  # common practice: within 2 % of the setpoint a feedback stands at it


def feedback(
    case: Case, device: DeviceFigures, trace: Trace, register: Register, look: SecondLook, window: Window
) -> Feedback | Literal["stayed"] | None:
    """Where it left its setpoint; ``stayed`` where it did not; None where that cannot be told."""
    read = look.readings(device, register)
    wanted = _setpoints(trace, read.times_ns)
    first = int(np.searchsorted(read.times_ns, window.from_ns))
    last = int(np.searchsorted(read.times_ns, window.horizon_ns))
    at = np.abs(read.values - wanted) <= np.maximum(NEAR * np.abs(wanted), abs(register.scale))
    if first < BEFORE or first == last or not at[first - BEFORE : first].all():
        return None
    off = np.flatnonzero(~at[first:last] & ~np.isnan(wanted[first:last]))
    if not len(off):
        return "stayed"
    k = first + int(off[0])
    if wanted[k] != wanted[first - 1]:  # a new setpoint, which it may need time to follow
        return None
    again = np.flatnonzero(at[k:last])
    return Feedback(
        register=register,
        label=register.label(device.limits.numbering),
        setpoint=float(wanted[k]),
        left=_step(case, read, k),
        value=float(read.values[k]),
        back=_step(case, read, k + int(again[0])) if len(again) else None,
    )


def _setpoints(trace: Trace, times_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    """The setpoint in force at each time: the last one written and not refused; NaN where unknown."""
    taken = np.flatnonzero(trace.accepted)
    place = np.searchsorted(trace.times_ns[taken], times_ns, side="right") - 1
    values = np.full(len(times_ns), np.nan)
    has = place >= 0
    values[has] = trace.values[taken[place[has]]]
    return values


def _step(case: Case, read: Readings, k: int) -> Step:
    row = int(read.rows[k])
    return Step(int(read.times_ns[k]), row, case.reply_frames([row])[0])
