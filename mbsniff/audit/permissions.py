"""Requirements on who asks and what: masters, writers, registers that may be written or read, values."""

from __future__ import annotations

import numpy as np

from mbsniff.audit.subject import Subject
from mbsniff.audit.verdict import Outcome, met, not_met, open_
from mbsniff.audit.written import cyclic_repeats
from mbsniff.diagnose.load import asked
from mbsniff.diagnose.registers.traces import Trace, outside
from mbsniff.diagnose.wording import clock, counted, listed
from mbsniff.errors import one_line
from mbsniff.measure import PollFigures
from mbsniff.measure.groups import WRITES
from mbsniff.site import Register, both_numbers, one_off


def masters_limit(subject: Subject) -> str | None:
    """The masters that may talk to it."""
    if subject.limits.masters is not None:
        return _names(subject.limits.masters)
    stated = any(m.may_read is not None for m in subject.case.site.masters)
    return "as each master's may_read" if stated else None


def masters_allowed(subject: Subject) -> Outcome:
    """Who sent it anything at all."""
    site, device = subject.case.site, subject.declared
    polls = subject.seen.polls
    strangers = [
        p for p in polls if site.may_read(subject.client(p), device) is False and _is_strange(subject, p)
    ]
    measured = listed([subject.case.master_name(m) for m in subject.seen.masters])
    if not strangers:
        return met(measured)
    counts: dict[str, int] = {}
    for poll in strangers:
        who = subject.case.master_name(subject.client(poll))
        counts[who] = counts.get(who, 0) + poll.count
    why = listed([f"{who} is not among them: {counted(n, 'request')}" for who, n in counts.items()])
    return not_met(measured, why, subject.requests_of(strangers))


def _is_strange(subject: Subject, poll: PollFigures) -> bool:
    """A write by a master that may talk to the device, but not read it, is none of this requirement's business."""
    listed_masters = subject.limits.masters
    if listed_masters is None or subject.client(poll) in subject.case.site.addresses_of(listed_masters):
        return poll.function not in WRITES
    return True


def _names(names: tuple[str, ...]) -> str:
    return listed([one_line(name) for name in names])


def writers_limit(subject: Subject) -> str | None:
    """The masters that may write."""
    if subject.limits.writers is not None:
        return _names(subject.limits.writers)
    if subject.limits.masters is not None:
        return _names(subject.limits.masters)
    stated = any(m.may_write is not None for m in subject.case.site.masters)
    own = any(r.writers is not None for r in subject.registers)
    return "as the site file says" if stated or own else None


def writers_allowed(subject: Subject) -> Outcome:
    """Who wrote, and whether the device, the register and the master's own entry allow it."""
    polls = _writing(subject)
    wrong = [p for p in polls if _forbidden(subject, p)]
    if not polls:
        return met("nothing written")
    measured = listed(sorted({subject.case.master_name(subject.client(p)) for p in polls}))
    if not wrong:
        return met(measured)
    return not_met(measured, _told(subject, wrong), subject.requests_of(wrong))


def _forbidden(subject: Subject, poll: PollFigures) -> bool:
    """Whether the master may not write the device, or a register; that it is read-only is told elsewhere."""
    site, client = subject.case.site, subject.client(poll)
    stretches = subject.stretches(poll, written=True)
    registers: list[Register | None] = [r for r, _ in stretches if r is not None and r.writable]
    return any(site.may_write(client, subject.declared, r) is False for r in registers or [None])


def _writing(subject: Subject) -> list[PollFigures]:
    return [p for p in subject.seen.polls if p.function in WRITES]


def _told(subject: Subject, polls: list[PollFigures]) -> str:
    return listed(
        [
            f"{subject.case.master_name(subject.client(p))}: {asked(p, subject.seen)}, {counted(p.count, 'time')}"
            for p in polls
        ],
        3,
    )


def registers_limit(subject: Subject) -> str | None:
    """Where registers are declared."""
    return "declared, not read-only" if subject.registers else None


def writes_declared(subject: Subject) -> Outcome:
    """Writes to registers that are read-only, or to addresses that are not declared."""
    polls = [p for p in _writing(subject) if subject.stretches(p, written=True)]
    wrong = [
        p for p in polls if any(r is None or not r.writable for r, _ in subject.stretches(p, written=True))
    ]
    measured = (
        listed([t.register.label(subject.limits.numbering) for t in subject.traces]) or "nothing written"
    )
    if not wrong:
        return met(one_line(measured))
    return not_met(one_line(measured), _told(subject, wrong), subject.requests_of(wrong))


def range_limit(subject: Subject) -> str | None:
    """Where a register has a minimum or a maximum."""
    ranged = [r for r in subject.registers if r.minimum is not None or r.maximum is not None]
    return listed([_range(r.name or r.label(), r.minimum, r.maximum) for r in ranged], 3) or None


def _range(name: str, low: float | None, high: float | None) -> str:
    if low is None:
        return f"{one_line(name)} ≤ {high:g}"
    return f"{one_line(name)} ≥ {low:g}" if high is None else f"{one_line(name)} {low:g} to {high:g}"


def values_in_range(subject: Subject) -> Outcome:
    """Written values in engineering units, refused writes among them."""
    traces = [t for t in subject.traces if t.register.minimum is not None or t.register.maximum is not None]
    if not traces:
        return met("nothing written")
    measured = listed([f"{one_line(t.register.name or t.register.label())} {_extent(t)}" for t in traces], 3)
    wrong = [(t, k) for t in traces for k in np.flatnonzero(outside(t)).tolist()]
    if wrong:
        t, k = wrong[0]
        why = (
            f"{counted(len(wrong), 'value')} outside, the first {_value(t, k)} at {clock(int(t.times_ns[k]))}"
        )
        return not_met(measured, why, subject.case.request_frames(int(t.rows[k]) for t, k in wrong))
    unknown = sum(int(np.count_nonzero(~t.known)) for t in traces)
    if unknown:
        return open_(
            f"{counted(unknown, 'written value')} cannot be told (cut short, or a mask write)", measured
        )
    return met(measured)


def _value(trace: Trace, k: int) -> str:
    unit = f" {one_line(trace.register.engineering_unit)}" if trace.register.engineering_unit else ""
    return f"{trace.values[k]:g}{unit}"


def _extent(trace: Trace) -> str:
    values = trace.values[~np.isnan(trace.values)]
    if not len(values):
        return "unknown"
    low, high = float(values.min()), float(values.max())
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def nonvolatile_limit(subject: Subject) -> str | None:
    """Where a register is kept in non-volatile memory."""
    kept = [r.name or r.label() for r in subject.registers if r.nonvolatile]
    return f"none to {one_line(listed(kept, 3))}" if kept else None


def nonvolatile_spared(subject: Subject) -> Outcome:
    """Cyclic writes of the value that the register has already."""
    traces = [t for t in subject.traces if t.register.nonvolatile]
    wrong = [(t, np.flatnonzero(cyclic_repeats(subject.case, t))) for t in traces]
    wrong = [(t, places) for t, places in wrong if len(places)]
    if not wrong:
        return met(counted(sum(len(t.rows) for t in traces), "write"))
    count = sum(len(places) for _, places in wrong)
    names = listed([one_line(t.register.name or t.register.label()) for t, _ in wrong])
    rows = [int(row) for t, places in wrong for row in t.rows[places[:8]]]
    return not_met(
        counted(count, "such write"), f"{names}: each wears its memory", subject.case.request_frames(rows)
    )


def reads_limit(subject: Subject) -> str | None:
    """Where registers are declared."""
    return "only declared registers" if subject.registers else None


def reads_declared(subject: Subject) -> Outcome:
    """Reads of addresses that are not declared, or declared unreadable; with a hint where one is one off."""
    polls = [p for p in subject.seen.polls if subject.stretches(p, written=False)]
    wrong = [
        p for p in polls if any(r is None or not r.readable for r, _ in subject.stretches(p, written=False))
    ]
    off = [text for text in (_one_off(subject, p) for p in polls) if text]
    measured = counted(len({(p.function, p.start, p.quantity) for p in polls}), "block")
    if not wrong:
        return met(measured + (f"; {listed(off, 2)}" if off else ""))
    return not_met(measured, "; ".join([_told(subject, wrong), *off[:2]]), subject.requests_of(wrong))


def _one_off(subject: Subject, poll: PollFigures) -> str:
    """A reading that lies one beside declared registers: a manual's number taken for an address, or the reverse."""
    stretches = subject.stretches(poll, written=False)
    table, start, _ = stretches[0][1]
    quantity = sum(count for _, (_, _, count) in stretches)
    by = one_off(subject.registers, table, start, quantity)
    if by is None:
        return ""
    right = both_numbers(table, start - by, quantity, subject.limits.numbering)
    read = both_numbers(table, start, quantity, subject.limits.numbering)
    return f"{read} is one {'above' if by > 0 else 'below'} {right}: a number taken for an address?"


def one_writer(subject: Subject) -> Outcome:
    """Two masters that write one register while both are at work; redundancy groups count as one master."""
    found = subject.own_findings("second-writer")
    writers = sorted({subject.case.master_name(p.master) for p in _writing(subject)})
    measured = listed(writers) or "nothing written"
    if not found:
        return met(measured)
    return not_met(measured, found[0].text.split(": ", 1)[-1], found[0].evidence)
