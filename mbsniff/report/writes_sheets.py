"""A Survey in, CSV (every single write: the setpoint traces) and Markdown out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from tabulate import tabulate

from mbsniff.diagnose.wording import moment
from mbsniff.report.rounding import number, seconds
from mbsniff.report.sheets import inert, markdown_safe
from mbsniff.report.table import head
from mbsniff.report.writes_cells import CAUTION, COLUMNS, changes, device_of, frames, place_of, summary
from mbsniff.report.writes_page import NOTHING, grouped
from mbsniff.writes import RegisterWrites, Survey
from mbsniff.writes.register_writes import NO_READING

FIELDS = (
    "at", "device", "name", "register", "table", "address", "master", "master_name", "function", "value",
    "engineering_unit", "raw", "changed", "accepted", "measurement_age_s", "file", "frame",
)  # fmt: skip


_MASK_WRITE = 22  # MODBUS Application Protocol Specification V1.1b3, 6.16


def writes_csv(survey: Survey) -> str:
    """One line a written value, by device, register and time; absent values are empty.

    ``raw`` has the words in order of address, ``?`` where the recording lacks one; of a mask write, the masks in hex.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(FIELDS)
    for register in survey.registers:
        writer.writerows([inert(cell) for cell in row] for row in trace_rows(survey, register))
    return text.getvalue()


def trace_rows(survey: Survey, register: RegisterWrites) -> Iterator[list[object]]:
    """A register's writes, with the columns of FIELDS."""
    trace, own = register.trace, register.trace.register
    exchange, facts, site = survey.diagnosis.exchange, survey.diagnosis.facts, survey.diagnosis.site
    for k, row in enumerate(trace.rows.tolist()):
        age_ns, client = int(register.age_ns[k]), str(register.clients[k])
        yield [
            moment(int(trace.times_ns[k])), trace.device.key, trace.device.name, own.name, own.table, own.first,
            client, site.name_of_master(client), int(register.functions[k]), number(float(trace.values[k])),
            own.engineering_unit, _raw(register, k), bool(trace.changes[k]), bool(trace.accepted[k]),
            None if age_ns == NO_READING else seconds(age_ns), *facts.place(int(exchange.request_frame[row])),
        ]  # fmt: skip


def _raw(register: RegisterWrites, k: int) -> str:
    """Words in order of address; of a mask write both masks."""
    exchange = register.subject.case.exchange
    entry = int(exchange.value[register.trace.rows[k]])
    if int(register.functions[k]) == _MASK_WRITE and entry >= 0:
        begin, size = exchange.value_table[entry].tolist()
        masks = exchange.value_bytes[begin : begin + size].tobytes().hex().upper()
        return f"and {masks[:4]} or {masks[4:]}"
    return " ".join(str(word) if word >= 0 else "?" for word in register.trace.raw[k].tolist())


def writes_markdown(survey: Survey) -> str:
    """Head, the table of registers, changes and judgements as a Markdown page."""
    lines = [markdown_safe(line) for line in head(survey.diagnosis, 10_000).splitlines()]
    parts = ["# Writes", "\n\n".join([f"Files: {lines[0]}", *lines[1:]])]
    rows = [[markdown_safe(column.cell(register)) for column in COLUMNS] for register in survey.registers]
    if rows:
        titles = [column.title for column in COLUMNS]
        parts += [summary(survey), tabulate(rows, titles, tablefmt="pipe", disable_numparse=True)]
        parts.append(
            "\n".join(
                f"- {markdown_safe(f'{device_of(r)}, {r.label}: {changes(r)}')}" for r in survey.registers
            )
        )
    elif not survey.judgements:
        parts.append(NOTHING)
    for of_code in grouped(survey.judgements):
        kind = of_code[0][0].kind
        parts += [f"## {kind.level}: {kind.code}", kind.meaning]
        items = [f"{place_of(same)}: {same[0].text}. Frames: {frames(same[0])}" for same in of_code]
        parts += ["\n".join(f"- {markdown_safe(item)}" for item in items), f"Do: {kind.advice}"]
    parts += [f"Note: {markdown_safe(note)}." for note in survey.notes]
    parts += [CAUTION] if survey.registers or survey.judgements else []
    return "\n\n".join(parts) + "\n"


def judgements_table() -> str:
    """All judgements as a Markdown table, for the contributor guide."""
    from mbsniff.writes import KINDS

    rows = [[f"`{k.code}`", k.level, k.meaning, k.look_alike] for k in KINDS]
    titles = ("code", "level", "meaning", "not to be mistaken for")
    return tabulate(rows, titles, tablefmt="pipe", disable_numparse=True)
