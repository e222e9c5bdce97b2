"""The table of causes in, its explanation out: one cause or piece of evidence, or all, as text or reference page."""

from __future__ import annotations

from mbsniff.diagnose.causes.evidence import EVIDENCE
from mbsniff.diagnose.causes.row import Neighbour, Row
from mbsniff.diagnose.causes.seen import Fact
from mbsniff.diagnose.causes.table import TABLE
from mbsniff.report.findings_page import hung

_INTRODUCTION = """\
# Causes

What a silence is put down to. The rows are tried in this order; the first whose evidence is all there, with none that
speaks against it, is the verdict. Each argues from evidence that has a name, and all of it is told below. A cause is
certain, likely or open: one step surer where one of the sets under "surer with" is there, one step less sure for each
doubt about the recording (frames lost meanwhile, a clock that goes back), and open where only one direction was
recorded. What one recording cannot tell apart is not guessed: the wider cause is named, and the others remain as its
rivals. Where a silence is no longer than usual, only `commanded` and `none-seen` are tried.
"""
_EVIDENCE = """\
# Evidence

What the table of causes argues from. The masters meant are those whose requests feed the device's watchdog; "well
within the silence" leaves out its first and last tenth.
"""


def causes_markdown() -> str:
    """The reference page's part about causes: a section a row, then the evidence."""
    sections = [_section(place, row) for place, row in enumerate(TABLE, 1)]
    evidence = [f"- `{fact.name}`: {_meaning(fact)}" for fact in EVIDENCE]
    return "\n".join([_INTRODUCTION, *sections, _EVIDENCE, *evidence, ""])


def _section(place: int, row: Row) -> str:
    lines = [f"## {place}. `{row.code}`", ""]
    lines += [f"- **{title}**: {text}" for title, text in _parts(row, "`{}`")]
    return "\n".join([*lines, ""])


def causes_text(width: int) -> str:
    """A line a cause: what the wire shows."""
    column = max(len(row.code) for row in TABLE) + 2
    return "".join(hung(row.code, row.shows, column, width) for row in TABLE)


def cause_text(code: str, width: int) -> str:
    """One cause, or one piece of evidence, in full; empty where there is none of that name."""
    rows = [(place, row) for place, row in enumerate(TABLE, 1) if row.code == code]
    parts = [_row_text(place, row, width) for place, row in rows]
    parts += [_fact_text(fact, width) for fact in EVIDENCE if fact.name == code and not rows]
    return "\n".join(parts)


def codes() -> list[str]:
    """All names that `cause_text` knows."""
    return list(dict.fromkeys([*(row.code for row in TABLE), *(fact.name for fact in EVIDENCE)]))


def _row_text(place: int, row: Row, width: int) -> str:
    parts = _parts(row, "{}")
    column = max(len(title) for title, _ in parts) + 2
    head = f"{row.code}: a cause of a silence, row {place} of {len(TABLE)}\n\n"
    return head + "".join(hung(title, text, column, width) for title, text in parts)


def _fact_text(fact: Fact, width: int) -> str:
    wider = {fact.name, *(each.name for each in EVIDENCE if fact.name in each.any_of)}
    used = list(dict.fromkeys(row.code for row in TABLE if wider & {*row.all_of, *row.any_of}))
    parts = [("Meaning", _meaning(fact, "{}")), ("Argues for", ", ".join(used) or "nothing by itself")]
    return f"{fact.name}: evidence\n\n" + "".join(hung(title, text, 12, width) for title, text in parts)


def _meaning(fact: Fact, form: str = "`{}`") -> str:
    if not fact.any_of:
        return fact.meaning
    return f"{fact.meaning} Any of {_names(fact.any_of, form)}."


def _parts(row: Row, form: str) -> list[tuple[str, str]]:
    """Titles and texts, as far as there is something to say."""
    surer = " or ".join(_names(each, form, " with ") for each in row.surer)
    surer = f"surer with {surer}" if surer else ""
    also = tuple(name for name, _ in row.adds if name not in (*row.all_of, *row.any_of))
    parts = [
        ("What the wire shows", row.shows),
        ("Needs", _needs(row, form)),
        ("Must not be there", _names(row.none_of, form)),
        ("Told besides", _names(also, form)),
        ("How sure", "; ".join(filter(None, [row.certainty, surer, _open_without(row, form)]))),
        ("Neighbours", "; ".join(_neighbour(each, form) for each in row.neighbours)),
        ("What would decide", "; ".join(row.decides)),
        ("What to do", row.advice),
    ]
    return [(title, text) for title, text in parts if text]


def _open_without(row: Row, form: str) -> str:
    """When it stays open."""
    names = _names(row.open_without, form, " or ")
    absent = "open where the recorder lost frames meanwhile" if row.on_absence else ""
    return "; ".join(filter(None, [f"open where {names} cannot be told" if names else "", absent]))


def _needs(row: Row, form: str) -> str:
    every = _names(row.all_of, form, " and ")
    some = ("one of " if len(row.any_of) > 1 else "") + _names(row.any_of, form) if row.any_of else ""
    return " and ".join(filter(None, [every, some])) or "nothing: it is what remains"


def _names(names: tuple[str, ...], form: str, between: str = ", ") -> str:
    return between.join(form.format(name) for name in names)


def _neighbour(neighbour: Neighbour, form: str) -> str:
    """When the neighbour is ruled out, and why it remains otherwise."""
    if neighbour.has or neighbour.lacks:
        name = form.format(neighbour.has or neighbour.lacks)
        ruled_out = f"ruled out {'by' if neighbour.has else 'without'} {name}"
        remains = f", else remains ({neighbour.remains})" if neighbour.remains else ""
        return f"{form.format(neighbour.cause)} is {ruled_out}{remains}"
    return f"{form.format(neighbour.cause)} remains ({neighbour.remains})"
