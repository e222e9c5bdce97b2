"""An Audit's rows in, the words of their cells out; what every format of an audit shares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mbsniff.audit import Audit, Result, Written
from mbsniff.diagnose.wording import between, clock, counted, duration, listed
from mbsniff.errors import one_line

NONE = "-"
MOST_FRAMES = 3


def called(key: str, name: str | None) -> str:
    """A device as tables call it: its name, its address without the usual port."""
    where = key.replace(":502", "", 1) if ":502/" in key or key.endswith(":502") else key
    return f"{one_line(name)} {where}" if name else where


def frames(result: Result, most: int = MOST_FRAMES) -> str:
    """The frames that show it: "1255, 1336 and 6 more", with the files' names where there are several."""
    evidence = result.outcome.evidence
    several = len({e.file for e in evidence}) > 1
    texts = [f"{one_line(e.file)} {e.frame}" if several else f"{e.frame}" for e in evidence]
    more = len(texts) - most
    return ", ".join(texts[:most]) + (f" and {more} more" if more > 0 else "")


def summary(audit: Audit) -> str:
    """How many requirements are met, not met, and not to be told."""
    counts = audit.counts()
    told = ", ".join(f"{count:,} {verdict}" for verdict, count in counts.items())
    return f"{counted(len(audit.results), 'requirement')} held against the recording: {told}."


def not_stated(audit: Audit) -> str:
    """What the site file does not state, so that it was not judged."""
    from mbsniff.audit import REQUIREMENTS

    titles = {r.code: r.title for r in REQUIREMENTS}
    items = [f"{titles[code]} ({counted(n, 'device')})" for code, n in audit.not_stated.items()]
    return f"Not stated in the site file, so not judged: {listed(items, 30)}." if items else ""


@dataclass(frozen=True)
class Column:
    """A column of the table of writes; the highest ``rank`` goes first where the terminal is narrow."""

    title: str
    cell: Callable[[Written], str]
    meaning: str
    rank: int
    right: bool = False


def _values(written: Written) -> str:
    if written.lowest is None or written.highest is None:
        return NONE
    unit = (
        f" {one_line(written.trace.register.engineering_unit)}"
        if written.trace.register.engineering_unit
        else ""
    )
    low, high = f"{written.lowest:g}", f"{written.highest:g}"
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"


def _by(written: Written) -> str:
    counts = zip(written.names, written.masters.items(), strict=True)
    return ", ".join(f"{one_line(name or address)} {count:,}" for name, (address, count) in counts)


def _cycle(written: Written) -> str:
    """From the 5th to the 95th percentile."""
    period = written.period
    return NONE if period is None else between(period.p5, period.p95)


def age(written: Written) -> str:
    """Of the last measurement at each write: median and greatest."""
    found = written.age
    return NONE if found is None else f"{duration(found.median)}, {duration(found.max)}"


def follows(written: Written) -> str:
    """How many changes were followed, and the median time."""
    found = written.follows
    if found is None or not found.changes:
        return NONE
    after = f", {duration(found.after.median)}" if found.after else ""
    return f"{found.followed} of {found.changes}{after}"


def device_of(written: Written) -> str:
    """The device that was written to: its name where it has one."""
    figures = written.trace.device
    return one_line(figures.name) if figures.name else called(figures.key, None)


def ended(text: str) -> str:
    """A text as a sentence."""
    return text if text.endswith(("?", ".", "!")) else f"{text}."


COLUMNS: tuple[Column, ...] = (
    Column("device", device_of, "name, or address and unit", 0),
    Column("register", lambda w: one_line(w.label), "name, address, the manual's number", 1),
    Column("written by", _by, "each master, and how often", 3),
    Column("values written", _values, "least and greatest, in engineering units", 2),
    Column("written how", lambda w: ", ".join(w.kinds), "cyclic, on change or sporadic", 8),
    Column(
        "control cycle",
        _cycle,
        "time between writes, 5th to 95th percentile",
        4,
        right=True,
    ),
    Column("measurement's age", age, "of the last reading at each write: median, greatest", 7, right=True),
    Column(
        "changes followed", follows, "by the feedback register, and the median time that took", 6, right=True
    ),
)


def change_lines(written: Written, most: int) -> str:
    """The setpoint's trace: the first value, and each change with its time."""
    trace = written.trace
    shown = [0, *[k for k in range(1, len(trace.rows)) if trace.changes[k]]] if len(trace.rows) else []
    items = [f"{clock(int(trace.times_ns[k]))} {trace.values[k]:g}" for k in shown]
    return listed(items, most)
