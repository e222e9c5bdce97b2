"""A Survey in, its terminal page out: a row a register, the setpoints' changes, the judgements with advice."""

from __future__ import annotations

from collections import defaultdict

from mbsniff.errors import one_line
from mbsniff.report.audit_cells import ended
from mbsniff.report.table import head, ruled, wrapped
from mbsniff.report.writes_cells import CAUTION, COLUMNS, alike, changes, device_of, frames, place_of, summary
from mbsniff.writes import Judgement, Survey

NOTHING = "Nothing was written to any address that was asked for."
_MOST_PLACES = 8
_MOST_TRACES = 24
_FEWEST_COLUMNS = 4


def writes_page(survey: Survey, width: int) -> str:
    """The page for a terminal of ``width`` columns."""
    parts = [head(survey.diagnosis, width)]
    if survey.registers:
        parts += [
            wrapped(summary(survey), width),
            _table(survey, width),
            _traces(survey, width),
        ]
    elif not survey.judgements:
        parts.append(NOTHING)
    parts += [_told(n, of_code, width) for n, of_code in enumerate(grouped(survey.judgements), 1)]
    parts += [wrapped(f"Note: {ended(note)}", width, "   ") for note in survey.notes]
    if survey.registers or survey.judgements:
        parts.append(wrapped(CAUTION, width))
    return "\n\n".join(parts) + "\n"


def grouped(judgements: list[Judgement]) -> list[list[list[Judgement]]]:
    """Judgements of one code together, the worst first; within, those that say the same (`alike`)."""
    found: dict[str, list[list[Judgement]]] = defaultdict(list)
    for same in alike(judgements):
        found[same[0].code].append(same)
    return list(found.values())


def _table(survey: Survey, width: int) -> str:
    """As many columns as fit, and what they mean."""
    columns = list(COLUMNS)
    while True:
        rows = [[column.cell(register) for column in columns] for register in survey.registers]
        text = ruled([(column.title, column.right) for column in columns], rows)
        if max(map(len, text.splitlines())) <= width or len(columns) <= _FEWEST_COLUMNS:
            break
        columns.remove(max(columns, key=lambda column: column.rank))
    meanings = "; ".join(f"{column.title}: {column.meaning}" for column in columns[2:])
    return f"{text}\n\n{wrapped(f'{meanings}.', width)}"


def _traces(survey: Survey, width: int) -> str:
    """The first registers' values in short."""
    texts = [f"{device_of(r)}, {one_line(r.label)}: {changes(r)}" for r in survey.registers[:_MOST_TRACES]]
    lines = ["First values and changes, UTC:", *(wrapped(text, width, "   ") for text in texts)]
    if len(survey.registers) > _MOST_TRACES:
        lines.append(
            f"And {len(survey.registers) - _MOST_TRACES:,} registers more: every single write is in --format csv."
        )
    return "\n".join(lines)


def _told(number: int, of_code: list[list[Judgement]], width: int) -> str:
    """Judgements of one code: each place with what was found and its frames, then the advice once."""
    kind = of_code[0][0].kind
    lines = [f"{number}. {kind.level}, {kind.code}: {kind.meaning}"]
    for same in of_code[:_MOST_PLACES]:
        shown = f" Frames: {frames(same[0])}." if same[0].evidence else ""
        lines.append(f"   {place_of(same)}: {ended(one_line(same[0].text))}{shown}")
    if len(of_code) > _MOST_PLACES:
        lines.append(f"   And {len(of_code) - _MOST_PLACES:,} more places: all of them are in --format json.")
    lines.append(f"   Do: {kind.advice}")
    return "\n".join(wrapped(line, width, "   ") for line in lines)
