"""The tables of keys in, their reference page out (Markdown): `mbsniff site --keys`."""

from __future__ import annotations

from collections.abc import Iterable

from mbsniff.site.keys import LIMITS, REGISTER_KEYS, REGISTER_TABLE, TABLES, Key

_INTRODUCTION = """\
# Keys of a site file

A site file is TOML text. Everything is optional, except what is marked. Unknown keys are errors. Addresses of
registers are protocol addresses, counted from 0 as requests bear them; `number` takes the manual's number instead,
where `numbering` says how the manual counts. This page is printed by `mbsniff site --keys`; an example is
[oven.toml](oven.toml).
"""
_LISTS = """\
## Register lists

`registers = "zone.csv"` reads registers from a CSV file in the folder of the site file, or below it. The first row
names the columns, which are the keys of a register in any order; empty cells count as not given; items of a list are
separated by `|`. The text is UTF-8; the separator is the comma, or the semicolon where the first row has no comma;
numbers have a decimal point. An example is [zone.csv](zone.csv).

## What goes before what

A device's own value goes before its family's, and that before `[defaults]`. Registers of a device replace those of
its family that they touch or whose name they have. Options on the command line (`--watchdog`, `--max-block`,
`--max-reads`) only fill what the file leaves open.
"""


def keys_page() -> str:
    """All keys by table: what each takes and means."""
    by_name = {table.name: table for table in TABLES}
    sections = (
        (
            "`[defaults]`, `[[family]]` and `[[device]]`",
            "What a device tolerates, and who may do what.",
            LIMITS,
        ),
        *(
            (f"`{table.header}`", table.meaning, [key for key in table.keys if key not in LIMITS])
            for table in (by_name["device"], by_name["family"], by_name["master"])
        ),
        ("`[[device.register]]` and `[[family.register]]`", REGISTER_TABLE.meaning, REGISTER_KEYS),
    )
    parts = [_INTRODUCTION] + [_section(*section) for section in sections] + [_LISTS]
    return "\n".join(parts)


def _section(title: str, meaning: str, keys: Iterable[Key]) -> str:
    lines = [f"## {title}", "", meaning, "", "| key | takes | meaning |", "| --- | --- | --- |"]
    for key in keys:
        marked = f"`{key.name}` (needed)" if key.required else f"`{key.name}`"
        lines.append(f"| {marked} | {key.kind.expected} | {key.meaning} |".replace("\n", " "))
    return "\n".join([*lines, ""])
