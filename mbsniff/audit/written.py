"""A trace in, its line in the report of writes out: who wrote a register, how often, which values, and what is odd."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.audit.control import Following, cycle, following, measurement_ages
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.readings import SecondLook, feedback_of
from mbsniff.diagnose.registers.traces import Trace, outside
from mbsniff.diagnose.wording import counted, listed
from mbsniff.measure import Quantiles
from mbsniff.site import Device


@dataclass(frozen=True)
class Written:
    """One value of a device, and all that was written to it."""

    trace: Trace
    label: str
    """The register's name and both its numbers."""
    masters: dict[str, int]
    """Address of each master that wrote it: how often."""
    names: tuple[str | None, ...]
    """The site's names of these masters."""
    kinds: tuple[str, ...]
    """How its polls write: cyclic, on change, sporadic."""
    lowest: float | None
    highest: float | None
    period: Quantiles | None
    """Between two writes of the master that wrote most often."""
    age: Quantiles | None
    """Of the last measurement when it was written."""
    follows: Following | None
    """None where the site names no feedback, or the recording cannot be read again."""
    remarks: tuple[str, ...]
    """What is odd, a few words each."""

    @property
    def count(self) -> int:
        """Writes, refused ones among them."""
        return len(self.trace.rows)


def written(case: Case, device: Device | None, trace: Trace, look: SecondLook) -> Written:
    """Sum up a trace."""
    groups = case.figures.groups
    counts = np.bincount(trace.masters, minlength=len(groups.masters))
    values = trace.values[~np.isnan(trace.values)]
    register = feedback_of(device, trace)
    readers = look.readers(trace.device, register) if register else trace.rows[:0]
    follows = None
    if register and look.look is not None:
        follows = following(trace, look.readings(trace.device, register))
    return Written(
        trace=trace,
        label=trace.register.label(trace.device.limits.numbering),
        masters={groups.masters[m]: int(counts[m]) for m in np.flatnonzero(counts).tolist()},
        names=tuple(case.site.name_of_master(groups.masters[m]) for m in np.flatnonzero(counts).tolist()),
        kinds=tuple(sorted({poll.kind for poll in trace.polls.values()})),
        lowest=float(values.min()) if len(values) else None,
        highest=float(values.max()) if len(values) else None,
        period=cycle(trace),
        age=measurement_ages(case, trace, register, readers),
        follows=follows,
        remarks=tuple(_remarks(case, device, trace, follows)),
    )


def cyclic_repeats(case: Case, trace: Trace) -> NDArray[np.bool_]:
    """Which writes bring the register's own value again, as part of a cyclic poll."""
    cyclic = [row for row, poll in trace.polls.items() if poll.kind == "cyclic"]
    return np.asarray(trace.repeats & np.isin(case.exchange.poll[trace.rows], cyclic))


def _remarks(case: Case, device: Device | None, trace: Trace, follows: Following | None) -> list[str]:
    told = []
    beyond = int(np.count_nonzero(outside(trace)))
    told += [f"{counted(beyond, 'value')} outside the range"] if beyond else []
    if trace.declared and not trace.register.writable:
        told.append("declared read-only")
    if device and device.registers and not trace.declared:
        told.append("not declared")
    if len(np.unique(trace.masters)) > 1:
        names = [case.master_name(case.figures.groups.masters[m]) for m in np.unique(trace.masters).tolist()]
        told.append(f"written by {listed(names)}")
    repeats = int(np.count_nonzero(cyclic_repeats(case, trace)))
    if repeats:
        worn = ", which wears its non-volatile memory" if trace.register.nonvolatile else ""
        told.append(f"{counted(repeats, 'cyclic write')} of an unchanged value{worn}")
    refused = int(np.count_nonzero(~trace.accepted))
    told += [f"{refused} refused"] if refused else []
    if follows and follows.missed:
        told.append(f"{len(follows.missed)} of {counted(follows.changes, 'change')} not followed")
    return told
