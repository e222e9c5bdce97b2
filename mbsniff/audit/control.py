"""A trace and what was read in, the control loop's figures out: its cycle, how old measurements were, what followed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.readings import Readings
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.exchange import well_answered
from mbsniff.measure import Quantiles
from mbsniff.measure.groups import READS
from mbsniff.measure.quantiles import quantiles
from mbsniff.site import Register

ARRIVED = 0.1  # common practice: a step response has arrived within a tenth of the step


@dataclass(frozen=True)
class Following:
    """Whether a measurement followed the changes of a setpoint."""

    changes: int
    """Changes of the setpoint after which the measurement was read."""
    followed: int
    after: Quantiles | None
    """From the request that changed it to the first reading that had followed."""
    missed: tuple[int, ...]
    """Transactions of the changes that nothing followed before the next one, or the recording's end."""


def main_master(trace: Trace) -> int:
    """The master that wrote most often; the first of equals."""
    return int(np.bincount(trace.masters).argmax())


def cycle(trace: Trace) -> Quantiles | None:
    """Intervals between the writes of the master that wrote most often."""
    own = trace.times_ns[trace.masters == main_master(trace)]
    return quantiles(np.ascontiguousarray(np.diff(own)), compiled=False)


def measurement_ages(case: Case, trace: Trace, register: Register | None, readers: NDArray[np.int32]) -> (
    Quantiles | None
):  # fmt: skip
    """How old the last reading was at each write, both by the same master.

    ``readers``: transactions that read the feedback ``register``; without one, any read of the device by that
    master counts.
    """
    exchange, groups = case.exchange, case.figures.groups
    master = main_master(trace)
    writes = trace.times_ns[trace.masters == master]
    if register is None:
        own = case.transactions(trace.device)
        reads = [p.row for p in trace.device.polls if p.function in READS]
        readers = own[np.isin(exchange.poll[own], reads)]
    readers = readers[groups.master_of_poll[exchange.poll[readers]] == master]
    readers = well_answered(exchange, readers)
    ends = np.sort(exchange.request_ns[readers] + exchange.reply_ns[readers])
    last = np.searchsorted(ends, writes, side="right") - 1
    if not len(ends):
        return None
    ages = (writes - ends[np.maximum(last, 0)])[last >= 0]
    return quantiles(ages, compiled=False)


def following(trace: Trace, readings: Readings) -> Following:
    """Hold the readings against every change of the trace."""
    taken = np.flatnonzero(trace.accepted & trace.known)
    changed = np.flatnonzero(trace.changes)
    ends = [*trace.times_ns[changed[1:]].tolist(), None][: len(changed)]
    seen, missed = [], []
    judged = 0
    for place, until_ns in zip(changed.tolist(), ends, strict=True):
        before = taken[np.searchsorted(taken, place) - 1]
        after_ns = _arrival(trace, place, int(before), readings, until_ns)
        if after_ns is None:
            continue
        judged += 1
        if after_ns >= 0:
            seen.append(after_ns)
        else:
            missed.append(int(trace.rows[place]))
    return Following(judged, len(seen), quantiles(np.array(seen, np.int64), compiled=False), tuple(missed))


def _arrival(trace: Trace, place: int, before: int, readings: Readings, until_ns: int | None) -> int | None:
    """Nanoseconds from a change to the first reading that followed it; -1 where none did, None where none is there."""
    from_ns = int(trace.times_ns[place])
    first = int(np.searchsorted(readings.times_ns, from_ns, side="right"))
    last = len(readings.times_ns)
    if until_ns is not None:
        last = int(np.searchsorted(readings.times_ns, until_ns, side="right"))
    if first >= last:
        return None
    target, step = trace.values[place], trace.values[place] - trace.values[before]
    resolution = max(abs(trace.register.scale), abs(readings.register.scale))
    allowed = max(ARRIVED * abs(step), resolution) * (1 + 1e-9)
    near = np.flatnonzero(np.abs(readings.values[first:last] - target) <= allowed)
    return int(readings.times_ns[first + near[0]]) - from_ns if len(near) else -1
