"""One register's writes in, what is wrong with them out: a table of checks, each for one code of the catalogue."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.audit.written import cyclic_repeats
from mbsniff.diagnose import Evidence
from mbsniff.diagnose.registers.traces import outside
from mbsniff.diagnose.wording import clock, counted, duration, listed
from mbsniff.errors import one_line
from mbsniff.wire.functions import exception_name
from mbsniff.writes.catalogue import BY_CODE, Kind
from mbsniff.writes.register_writes import RegisterWrites

# Common practice, both: a cycle is called even while 19 of 20 intervals stay within half to twice the median,
# and a measurement is old when three readings in a row should have come since.
UNEVEN = 2.0
STALE = 3.0
_FEWEST = 8  # writes from which on "usual" means anything


@dataclass(frozen=True)
class Judgement:
    """One thing that is odd about a register's writes, or about a device's as a whole."""

    code: str
    device: str
    name: str | None
    """The site's name for the device."""
    register: str | None
    """Label of the register; None where it is about the device."""
    text: str
    from_ns: int | None
    """When it began."""
    count: int
    """How many writes it is about."""
    evidence: tuple[Evidence, ...]

    @property
    def kind(self) -> Kind:
        """Its row of the catalogue: level, meaning and advice."""
        return BY_CODE[self.code]


Told = tuple[str, NDArray[np.int64]]
"""What to say, and which of the trace's writes it is about."""


def judge(register: RegisterWrites) -> list[Judgement]:
    """All that is odd about one register's writes, in no order."""
    found = []
    for code, check in CHECKS:
        told = check(register)
        if told is not None and len(told[1]):
            found.append(_judgement(code, register, *told))
    return found


def _judgement(code: str, register: RegisterWrites, text: str, places: NDArray[np.int64]) -> Judgement:
    trace, case = register.trace, register.subject.case
    rows = trace.rows[places].tolist()
    refer = case.reply_frames if code == "write-refused" else case.request_frames
    return Judgement(
        code, trace.device.key, trace.device.name, register.label, text,
        int(trace.times_ns[places[0]]), len(places), refer(rows),
    )  # fmt: skip


def _range(register: RegisterWrites) -> Told | None:
    trace = register.trace
    places = np.flatnonzero(outside(trace))
    if not len(places):
        return None
    low, high = trace.register.minimum, trace.register.maximum
    limits = [f"at least {low:g}"] if low is not None else []
    limits += [f"at most {high:g}"] if high is not None else []
    first = places[0]
    unit = f" {one_line(trace.register.engineering_unit)}" if trace.register.engineering_unit else ""
    when = clock(int(trace.times_ns[first]))
    shown = f"the first {trace.values[first]:g}{unit} at {when}, {_who(register, places[:1])}"
    refused = int((~trace.accepted[places]).sum())
    more = f"; the device refused {refused}" if refused else ""
    return f"{counted(len(places), 'value')} outside ({' and '.join(limits)}), {shown}{more}", places


def _two_writers(register: RegisterWrites) -> Told | None:
    """In turns: the masters' writes form more runs than there are masters."""
    taken, begins = _turns(register)
    masters = len(np.unique(register.trace.masters[taken]))
    if masters < 2 or len(begins) < masters:
        return None
    return (
        f"{_who(register, taken)} wrote it in turns; who wrote changed {counted(len(begins), 'time')}",
        begins,
    )


def _handed_over(register: RegisterWrites) -> Told | None:
    taken, begins = _turns(register)
    masters = len(np.unique(register.trace.masters[taken]))
    if masters < 2 or len(begins) >= masters:
        return None
    return f"{_who(register, taken)} wrote it, one after the other", begins


def _turns(register: RegisterWrites) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The writes that were not refused, and those of them before which another master wrote."""
    taken = np.flatnonzero(register.trace.accepted)
    owners = register.trace.masters[taken]
    return taken, taken[1:][owners[1:] != owners[:-1]]


def _not_allowed(register: RegisterWrites) -> Told | None:
    site, declared = register.subject.case.site, register.subject.declared
    own = register.trace.register if register.trace.declared and register.trace.register.writable else None
    barred = [c for c in set(register.clients.tolist()) if site.may_write(c, declared, own) is False]
    places = np.flatnonzero(np.isin(register.clients, barred))
    return f"{_who(register, places)} may not write it: {counted(len(places), 'write')}", places


def _read_only(register: RegisterWrites) -> Told | None:
    trace = register.trace
    if not trace.declared or trace.register.writable:
        return None
    places = np.arange(len(trace.rows))
    access = "unreadable" if trace.register.access == "none" else "read-only"
    return f"declared {access}, written {counted(len(places), 'time')}, {_who(register, places)}", places


def _undeclared(register: RegisterWrites) -> Told | None:
    declared = register.subject.declared
    if register.trace.declared or declared is None or not declared.registers:
        return None
    places = np.arange(len(register.trace.rows))
    return f"not declared, written {counted(len(places), 'time')}, {_who(register, places)}", places


def _repeats(register: RegisterWrites, *, nonvolatile: bool) -> Told | None:
    trace = register.trace
    if trace.register.nonvolatile is not nonvolatile:
        return None
    places = np.flatnonzero(cyclic_repeats(register.subject.case, trace))
    feeds = any(poll.feeds for poll in trace.polls.values()) and not nonvolatile
    more = "; they feed the watchdog" if feeds and register.subject.limits.watchdog_ns else ""
    return (
        f"{len(places):,} of {counted(len(trace.rows), 'write')} bring the value that it has already{more}",
        places,
    )


def _refused(register: RegisterWrites) -> Told | None:
    case, trace = register.subject.case, register.trace
    places = np.flatnonzero(~trace.accepted)
    codes, counts = np.unique(case.exchange.exception[trace.rows[places]], return_counts=True)
    names = [
        f"{n:,} × {c:02X} {exception_name(c)}" for c, n in zip(codes.tolist(), counts.tolist(), strict=True)
    ]
    return f"{len(places):,} of {counted(len(trace.rows), 'write')} refused: {listed(names)}", places


def _stale(register: RegisterWrites) -> Told | None:
    """Beyond the watchdog's timeout where one is stated, else beyond STALE times the usual time between readings."""
    ages, timeout = register.age_ns, register.subject.limits.watchdog_ns
    limit = timeout or round(STALE * (register.reading_ns or 0))
    places = np.flatnonzero(ages > limit)
    if not limit or not len(places):
        return None
    worst = places[int(np.argmax(ages[places]))]
    reason = "the watchdog's timeout" if timeout else f"{STALE:g} times the usual time between readings"
    text = (
        f"{counted(len(places), 'write')} on a measurement older than {reason} ({duration(limit)}), "
        f"up to {duration(int(ages[worst]))} at {clock(int(register.trace.times_ns[worst]))}"
    )
    return text, places


def _uneven(register: RegisterWrites) -> Told | None:
    period, trace = register.written.period, register.trace
    if period is None or "cyclic" not in register.written.kinds or len(trace.rows) < _FEWEST:
        return None
    if period.p95 <= UNEVEN * period.median and UNEVEN * period.p5 >= period.median:
        return None
    text = (
        f"a write every {duration(period.median)}, but 1 in 20 after {duration(period.p95)} or more, "
        f"and 1 in 20 after {duration(period.p5)} or less"
    )
    return text, np.argsort(-np.diff(trace.times_ns), kind="stable")[:1] + 1


def _not_followed(register: RegisterWrites) -> Told | None:
    follows = register.written.follows
    if follows is None or not follows.missed:
        return None
    places = np.flatnonzero(np.isin(register.trace.rows, follows.missed))
    changes = counted(follows.changes, "change")
    return f"its feedback did not follow {len(follows.missed)} of {changes} looked at", places


def _unknown(register: RegisterWrites) -> Told | None:
    places = np.flatnonzero(~register.trace.known)
    return f"{counted(len(places), 'written value')} cannot be told", places


def _who(register: RegisterWrites, places: NDArray[np.int64]) -> str:
    """The masters of some writes, by name."""
    clients = dict.fromkeys(register.clients[places].tolist())
    return listed([register.subject.case.master_name(client) for client in clients])


CHECKS: tuple[tuple[str, Callable[[RegisterWrites], Told | None]], ...] = (
    ("value-outside-range", _range),
    ("two-writers", _two_writers),
    ("writer-not-allowed", _not_allowed),
    ("read-only-written", _read_only),
    ("memory-worn", lambda register: _repeats(register, nonvolatile=True)),
    ("not-followed", _not_followed),
    ("stale-measurement", _stale),
    ("undeclared-written", _undeclared),
    ("write-refused", _refused),
    ("uneven-cycle", _uneven),
    ("unchanged-writes", lambda register: _repeats(register, nonvolatile=False)),
    ("handed-over", _handed_over),
    ("value-unknown", _unknown),
)
