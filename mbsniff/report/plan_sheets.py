"""A Plan in, its poll list out as CSV for spreadsheets and as TOML for programs."""

from __future__ import annotations

from mbsniff.errors import one_line
from mbsniff.plan import Plan
from mbsniff.report.plan_json import poll_dict
from mbsniff.report.plan_words import CAUTION, notes, obstacles
from mbsniff.report.sheets import inert

FIELDS = (
    "master", "master_name", "device", "device_name", "address", "port", "unit_id", "function", "first", "count",
    "period_s", "offset_s", "wanted_period_s", "wanted_count", "as_it_is",
)  # fmt: skip
_HEAD = (
    "Poll list, made by mbsniff plan; it sends nothing itself.",
    "period_s: between two reads; offset_s: the first one, after the beginning of its master's own cycle;",
    "first: data address from 0, as a request bears it; count: registers or bits; function: the function code;",
    "as_it_is: taken over unchanged, since its function does more than read a block.",
)


def plan_csv(plan: Plan) -> str:
    """One line a poll, with the names of the JSON; absent values are empty."""
    import pandas as pd

    rows = [[poll_dict(poll)[field] for field in FIELDS] for poll in plan.polls]
    frame = pd.DataFrame(rows, columns=list(FIELDS), dtype=object)
    return str(frame.map(inert).to_csv(index=False, lineterminator="\n"))


def plan_toml(plan: Plan) -> str:
    """Tables headed [[poll]], with the names of the JSON, absent values left out; all else as comments."""
    told = [one_line(text) for text in (*_HEAD, *obstacles(plan), *notes(plan), CAUTION)]
    lines = [f"# {text}" for text in told]
    lines += ["", "schema = 1"]
    for poll in plan.polls:
        entries = {name: value for name, value in poll_dict(poll).items() if value is not None}
        lines += ["", "[[poll]]", *(f"{name} = {_toml(value)}" for name, value in entries.items())]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    """A value in TOML 1.0.0; text as a basic string, with every control character escaped."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_escaped(character) for character in value) + '"'
    return str(value)


def _escaped(character: str) -> str:
    if character in '"\\':
        return f"\\{character}"
    code = ord(character)
    if character.isprintable() and not 0xD800 <= code <= 0xDFFF:
        return character
    return "�" if 0xD800 <= code <= 0xDFFF else f"\\U{code:08x}"
