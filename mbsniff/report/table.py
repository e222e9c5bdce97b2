"""A Diagnosis in, the terminal page out: head line, table, findings, worst first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from tabulate import tabulate

from mbsniff.diagnose import Diagnosis, Finding
from mbsniff.diagnose.naming import folded
from mbsniff.diagnose.wording import clock, counted, day, duration, listed
from mbsniff.errors import one_line
from mbsniff.report.columns import CERTAINTY_MARKS, COLUMNS, Column

if TYPE_CHECKING:  # loaded where ports are looked for
    from mbsniff.wire.ports import PortSearch

CAUTION = (
    "Heaters, drives and valves can hurt people. Whether a device really fell back shows only in the device. Local "
    "codes and licensed practice go before anything said here; mbsniff only listens."
)
MOST_FRAMES = 3
MOST_ALIKE, SHOWN_OF_MANY = (
    8,
    3,
)  # findings in a row that differ only in device and times; how many of more are shown


def diagnosis_page(diagnosis: Diagnosis, width: int) -> str:
    """The page for a terminal of ``width`` columns."""
    parts = [head(diagnosis, width)]
    if diagnosis.verdicts:
        parts.append(table(diagnosis, width))
        parts.append(_marks(diagnosis, width))
        parts.append(_advice_without_timeout(diagnosis, width))
    parts.append(findings(diagnosis, width))
    if diagnosis.findings:
        parts.append(wrapped(CAUTION, width))
    return "\n\n".join(part for part in parts if part) + "\n"


def _marks(diagnosis: Diagnosis, width: int) -> str:
    """What the marks in the columns "state" and "why" mean, where there are any."""
    used = {verdict.certainty for verdict in diagnosis.verdicts if verdict.why is not None}
    told = ", ".join(
        f"{mark} {certainty}" for certainty, mark in CERTAINTY_MARKS.items() if certainty in used
    )
    shared = any(verdict.with_others for verdict in diagnosis.verdicts)
    lines = [
        f"Why: {told}." if told else "",
        "State [n]: one of the devices of incident n." if shared else "",
    ]
    return wrapped(" ".join(line for line in lines if line), width) if told or shared else ""


def wrapped(text: str, width: int, indent: str = "") -> str:
    """Text in lines of at most ``width`` columns, those after the first indented."""
    return textwrap.fill(text, max(width, 40), subsequent_indent=indent, break_on_hyphens=False)


def head(diagnosis: Diagnosis, width: int) -> str:
    """What was recorded, from where, and whether it can be trusted."""
    facts = diagnosis.facts
    names = ", ".join(one_line(f.file) for f in facts.files[:3])
    names += f" and {len(facts.files) - 3} more files" if len(facts.files) > 3 else ""
    lines = [names, f"Recorded: {_extent(diagnosis)}"]
    if facts.counters.seen_through:
        layers = [f"{name} ({counted(n, 'frame')})" for name, n in facts.counters.seen_through.items()]
        lines.append(f"Seen through: {', '.join(layers)}.")
    if facts.port_search:
        lines.append(f"Ports: {_ports(facts.port_search)}.")
    if facts.counters.messages:
        lines.append(f"Vantage: {diagnosis.vantage}.")
    if diagnosis.doubts:
        lines += [f"Doubt: {doubt}." for doubt in diagnosis.doubts]
    elif facts.frames:
        lines.append("Trust: nothing speaks against the recording.")
    return "\n".join(wrapped(line, width, "  ") for line in lines)


def _ports(search: PortSearch) -> str:
    """Which server ports a first look found, and what for."""
    ways = [
        f"{each.port} ({', '.join(f'{n:,} by {way}' for way, n in each.exchanges.items())})"
        for each in search.found
    ]
    where = f"among the first {counted(search.frames, 'frame')}"
    text = f"{', '.join(ways) or 'none'} found by requests with their replies {where}"
    others = [str(port) for port in search.ports if port not in {each.port for each in search.found}]
    if others:
        text += f"; {', '.join(others)} read as well"
    return text + ("; 502 carries something else" if search.refused else "")


def _extent(diagnosis: Diagnosis) -> str:
    facts = diagnosis.facts
    if facts.starts_ns is None:
        return "no frames at all."
    when = f"{day(facts.starts_ns)} {clock(facts.starts_ns)[:8]} UTC, {duration(facts.span_ns)}"
    text = f"{when}, {counted(facts.frames, 'frame')}"
    if not facts.counters.messages:
        looked = "looked for on server port 502, or those of --port; --port auto finds others"
        return f"{text}, no Modbus TCP among them ({looked})."
    devices = counted(len(diagnosis.verdicts), "device")
    masters = {m for v in diagnosis.verdicts for m in v.figures.masters}
    messages = counted(facts.counters.messages, "Modbus message")
    return f"{text}, {messages}, {devices}, {counted(len(masters), 'master')}."


def table(diagnosis: Diagnosis, width: int) -> str:
    """The diagnosis table with as many columns as fit."""
    columns = list(COLUMNS)
    while True:
        text = _tabulated(diagnosis, columns)
        widest = max(len(line) for line in text.splitlines())
        if widest <= width or len(columns) <= 3:
            return text
        columns.remove(max(columns, key=lambda c: c.rank))


def _tabulated(diagnosis: Diagnosis, columns: list[Column]) -> str:
    rows = [[column.cell(verdict) for column in columns] for verdict in diagnosis.verdicts]
    return ruled([(column.title, column.right) for column in columns], rows)


def ruled(titles: Sequence[tuple[str, bool]], rows: Sequence[Sequence[str]]) -> str:
    """Titles (and whether their columns are set to the right) over a rule over the rows.

    Laid out as plain rows, the titles in two lines, so that a title takes no more room than a cell.
    """
    titles_of_words = [title.split(" ", 1) for title, _ in titles]
    upper = [words[0] if len(words) > 1 else "" for words in titles_of_words]
    lower = [words[-1] for words in titles_of_words]
    sides = ["right" if right else "left" for _, right in titles]
    text = tabulate([upper, lower, *rows], tablefmt="plain", colalign=sides, disable_numparse=True)
    lines = text.splitlines()
    lines.insert(2, "-" * max(len(line) for line in lines))
    return "\n".join(lines)


def _advice_without_timeout(diagnosis: Diagnosis, width: int) -> str:
    """What timeout the observed polling could support, where none is stated."""
    known = [v for v in diagnosis.verdicts if v.figures.limits.watchdog_ns is None and v.supported]
    if not known:
        return ""
    text = f"No watchdog timeout is stated for {counted(len(known), 'device')}, so none is judged."
    longest = max((v.supported_timeout_ns or 0 for v in known), default=0)
    if longest:
        text += (
            f" The observed polling could support {duration(longest)} or more (longest healthy silence, time-outs, "
            "reconnecting and 20 % reserve); whether the process may be without control that long is for its owner to "
            "decide."
        )
    slow = [v.figures.key for v in known if v.supported and not v.supported.is_tolerable]
    if slow:
        text += (
            f" What {listed(slow, 3)} would need is longer than the tolerable outage allows: the polling must become "
            "faster."
        )
    return wrapped(text, width)


def findings(diagnosis: Diagnosis, width: int) -> str:
    """All findings: what, when, how certain, the frames, and what to do; of very many that are alike only some."""
    if not diagnosis.findings:
        return "Nothing found." if diagnosis.verdicts else ""
    told: dict[str, int] = {}
    texts = []
    for first, alike in _runs(diagnosis.findings):
        shown = len(alike) if len(alike) <= MOST_ALIKE else SHOWN_OF_MANY
        for number, finding in enumerate(alike[:shown], first):
            texts.append(_finding(number, finding, width, told.setdefault(finding.advice, number)))
        if alike[shown:]:
            texts.append(_left_out(first + shown, alike[shown:], width))
    return "\n\n".join(texts)


def _runs(found: list[Finding]) -> Iterator[tuple[int, list[Finding]]]:
    """(number of the first, findings that follow each other and differ only in device, times and figures)."""
    number = 1
    for _, run in groupby(found, lambda f: (f.level, f.code, f.certainty, f.cause, f.incident)):
        alike = list(run)
        yield number, alike
        number += len(alike)


def _left_out(first: int, alike: list[Finding], width: int) -> str:
    names = folded(list(dict.fromkeys(f.name or f.device or "" for f in alike)))
    text = (
        f"{first}–{first + len(alike) - 1}. {_marks_of(alike[0])}: {len(alike)} more of the kind, of {names}."
    )
    return wrapped(text, width, "   ")


def _marks_of(finding: Finding) -> str:
    marks = [finding.level, finding.code, finding.certainty]
    marks += [f"cause: {finding.cause}{_how_sure(finding)}"] if finding.cause else []
    marks += [f"incident {finding.incident}"] if finding.incident else []
    return ", ".join(marks)


def _how_sure(finding: Finding) -> str:
    """How certain the cause is, where that is known."""
    return f" ({finding.cause_certainty})" if finding.cause_certainty else ""


def _finding(number: int, finding: Finding, width: int, told_at: int) -> str:
    """One finding; advice that an earlier one gave already is only referred to."""
    lines = [f"{number}. {_marks_of(finding)}", f"   {one_line(finding.text)}."]
    if finding.recovery:
        from mbsniff.diagnose.recovery import recovery_sentences  # loaded where a watchdog was due

        told = recovery_sentences(finding.recovery, with_proof=False)
        lines.append(f"   {' '.join(f'{text}.' for text in told)}")
    if finding.evidence:
        lines.append(f"   Frames: {_frames(finding)}")
    lines.append(f"   Do: {finding.advice}" if told_at == number else f"   Do: as for {told_at}.")
    return "\n".join(wrapped(line, width, "   ") for line in lines)


def _frames(finding: Finding) -> str:
    files = {e.file for e in finding.evidence}
    shown = finding.evidence[:MOST_FRAMES]
    texts = [f"{e.frame}" if len(files) == 1 else f"{one_line(e.file)} {e.frame}" for e in shown]
    more = len(finding.evidence) - len(shown)
    return ", ".join(texts) + (f" and {more} more" if more else "")
