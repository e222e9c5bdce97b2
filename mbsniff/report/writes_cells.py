"""A Survey's registers and judgements in, the words of their cells out; what every format of writes shares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.diagnose.wording import between, clock, counted, duration, listed
from mbsniff.errors import one_line
from mbsniff.report.audit_cells import NONE, age, called, follows
from mbsniff.writes import Judgement, RegisterWrites, Survey

CAUTION = (
    "What is written here moves heaters, drives and valves, and can hurt people. Change no writing program, limit or "
    "wiring on the strength of a recording alone: first make sure what the output does meanwhile, and that nobody is "
    "near it. Local codes and licensed practice go before anything said here; mbsniff only listens."
)
MOST_FRAMES = 3
MOST_CHANGES = 6


@dataclass(frozen=True)
class Column:
    """A column of the table of registers; the highest ``rank`` goes first where the terminal is narrow."""

    title: str
    cell: Callable[[RegisterWrites], str]
    meaning: str
    rank: int
    right: bool = False


def device_of(register: RegisterWrites) -> str:
    """The device that was written to: its name where it has one."""
    figures = register.trace.device
    return one_line(figures.name) if figures.name else called(figures.key, None)


def amount(register: RegisterWrites, value: float | None) -> str:
    """A value with its engineering unit."""
    unit = register.trace.register.engineering_unit
    return NONE if value is None else f"{value:.6g} {one_line(unit)}" if unit else f"{value:.6g}"


def _by(register: RegisterWrites) -> str:
    written = register.written
    pairs = zip(written.names, written.masters.items(), strict=True)
    return listed([f"{one_line(name or address)} {count:,}" for name, (address, count) in pairs], 3)


def _values(register: RegisterWrites) -> str:
    low, high = register.written.lowest, register.written.highest
    if low is None or high is None or low == high:
        return amount(register, low)
    return f"{low:.6g} to {amount(register, high)}"


def _cycle(register: RegisterWrites) -> str:
    period = register.written.period
    return NONE if period is None else f"{duration(period.median)} ({between(period.p5, period.p95)})"


COLUMNS: tuple[Column, ...] = (
    Column("device", device_of, "name, or address and unit", 0),
    Column("register", lambda r: one_line(r.label), "name, address, the manual's number", 1),
    Column("written by", _by, "each master, and how often", 2),
    Column("values written", _values, "least and greatest, in engineering units", 3),
    Column("written how", lambda r: ", ".join(r.written.kinds), "cyclic, on change or sporadic", 10),
    Column("last value", lambda r: amount(r, r.last), "the last one not refused", 5, right=True),
    Column("different values", lambda r: f"{r.distinct:,}", "how many", 9, right=True),
    Column("value changes", lambda r: f"{r.changes:,}", "writes of another value than the one before", 4, right=True),
    Column("time between", _cycle, "between two writes: median (5th to 95th percentile)", 6, right=True),
    Column("measurement's age", lambda r: age(r.written),
           "of the last reading at each write: median, greatest", 7, right=True),
    Column("changes followed", lambda r: follows(r.written),
           "by the feedback register, and the median time that took", 8, right=True),
)  # fmt: skip


def alike(judgements: list[Judgement]) -> list[list[Judgement]]:
    """Judgements that say the same, of the same frames, about several registers of a device: those of one block."""
    groups: dict[object, list[Judgement]] = {}
    for j in judgements:
        groups.setdefault((j.code, j.device, j.text, j.evidence), []).append(j)
    return list(groups.values())


def place_of(same: list[Judgement]) -> str:
    """The device, and the register where it is about one, or the first of several."""
    first, more = same[0], len(same) - 1
    device = called(first.device, first.name)
    others = f" and {counted(more, 'register')} more" if more else ""
    return f"{device}, {one_line(first.register)}{others}" if first.register else device


def frames(judgement: Judgement, most: int = MOST_FRAMES) -> str:
    """The frames that show it: "1255, 1336 and 6 more", of all writes that it is about."""
    several = len({e.file for e in judgement.evidence}) > 1
    texts = [f"{one_line(e.file)} {e.frame}" if several else f"{e.frame}" for e in judgement.evidence[:most]]
    more = judgement.count - len(texts)
    return ", ".join(texts) + (f" and {more:,} more" if more > 0 and texts else "")


def changes(register: RegisterWrites, most: int = MOST_CHANGES) -> str:
    """The setpoint's trace in short: the first value, and each change with its time."""
    trace = register.trace
    shown = [k for k in range(len(trace.rows)) if trace.known[k] and (k == 0 or trace.changes[k])]
    items = [
        f"{clock(int(trace.times_ns[k]))} {amount(register, float(trace.values[k]))}" for k in shown[:most]
    ]
    more = f" and {len(shown) - most:,} more" if len(shown) > most else ""
    return (", ".join(items) or "values unknown") + more


def summary(survey: Survey) -> str:
    """How much was written, and how many judgements of each level there are."""
    writes = sum(len(register.trace.rows) for register in survey.registers)
    devices = len({register.trace.device.key for register in survey.registers})
    levels = [same[0].kind.level for same in alike(survey.judgements)]
    parts = [counted(levels.count(level), level) for level in ("fault", "risk", "remark") if level in levels]
    told = listed(parts) or "nothing to remark"
    values = counted(writes, "written value")
    return (
        f"{values} of {counted(len(survey.registers), 'register')} at {counted(devices, 'device')}: {told}."
    )
