"""Register tables and register lists of a device or family → Registers, checked against each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from mbsniff.site.fields import fields_of, rows_of
from mbsniff.site.keys import REGISTER_TABLE
from mbsniff.site.kinds import Path, RefusedError, nearest
from mbsniff.site.numbering import Numbering, place_of
from mbsniff.site.references import ManualNumber
from mbsniff.site.register import BITS, DATA_TABLES, LAST_ADDRESS, WORDS, WRITABLE, Register
from mbsniff.site.register_list import Places, read_list


@dataclass(frozen=True)
class Declared:
    """A register, and the path that leads to it from the top of the site file."""

    register: Register
    within: Path


def read_registers(
    content: dict[str, Any], within: Path, numbering: Numbering | None, folder: FilePath, places: Places
) -> list[Declared]:
    """The registers of one device's or family's fields, those of the register list first; takes both out."""
    found: list[tuple[Path, dict[str, Any]]] = []
    listed, inline = content.pop("csv", None), content.pop("register", None)
    if listed is not None:
        at = (*within, "registers")
        for number, row in enumerate(read_list(listed, folder, at, places), 1):
            found.append(((*at, number), fields_of(REGISTER_TABLE, row, (*at, number), "")))
    if inline is not None:
        at = (*within, "register")
        wanted = f"tables headed [[{within[0]}.register]]"
        for number, fields in enumerate(rows_of(REGISTER_TABLE, inline, at, wanted)):
            found.append(((*at, number), fields))
    return [Declared(_register(fields, at, numbering), at) for at, fields in found]


def joined(own: list[Declared], inherited: list[Declared]) -> list[Declared]:
    """A device's registers: its own, and its family's where own ones neither touch nor are called like them."""
    kept = [old for old in inherited if not any(_replaces(new.register, old.register) for new in own)]
    return sorted([*own, *kept], key=lambda d: (DATA_TABLES.index(d.register.table), d.register.first))


def check_unique(declared: list[Declared]) -> None:
    """Refuse names and addresses that stand twice."""
    names: set[str] = set()
    before: Declared | None = None
    for each in joined(declared, []):
        register = each.register
        if register.name is not None and register.name in names:
            raise RefusedError(f'is "{register.name}" again', "another name", within=(*each.within, "name"))
        names |= {register.name} if register.name is not None else set()
        if before and register.table == before.register.table and register.first <= before.register.last:
            what = f"is {register.first}, which belongs to {before.register.label()} already"
            raise RefusedError(what, within=(*each.within, "first"))
        before = each


def _replaces(new: Register, old: Register) -> bool:
    same_name = new.name is not None and new.name == old.name
    return same_name or new.touches(old.table, old.first, old.count)


def check_feedback(declared: list[Declared]) -> None:
    """Refuse feedback that is no register of the device, or not a readable one."""
    names = {each.register.name: each.register for each in declared if each.register.name is not None}
    for each in declared:
        wanted = each.register.feedback
        if wanted is None:
            continue
        if wanted not in names:
            what = f'is "{wanted}", which is no register of the device{nearest(wanted, names)}'
            raise RefusedError(what, within=(*each.within, "feedback"))
        if not names[wanted].readable:
            raise RefusedError(f'is "{wanted}", which is not readable', within=(*each.within, "feedback"))


def _register(fields: dict[str, Any], at: Path, numbering: Numbering | None) -> Register:
    """The register of checked fields, with what depends on other fields filled in and held against them."""
    full = {"name": None, **fields}
    _place(full, at, numbering)
    full.setdefault("table", "holding")
    bits = full["table"] in BITS
    full.setdefault("type", "bool" if bits else "uint16")
    full.setdefault("access", "rw" if full["table"] in WRITABLE else "ro")
    words = WORDS[full["type"]]
    full.setdefault("count", words)
    _check_consistency(full, at, bits, words)
    return Register(**full)


def _place(full: dict[str, Any], at: Path, numbering: Numbering | None) -> None:
    """Turn a manual's number into the address, and the table where it names it."""
    first = full.get("first")
    if first is None:
        raise RefusedError(
            "is missing", "first, the address, or number, as the manual has it", within=(*at, "first")
        )
    if not isinstance(first, ManualNumber):
        return
    if numbering is None:
        hint = "Say how the manual counts with numbering, or give the address as first."
        raise RefusedError(f"is {first}, and numbering is not given", hint=hint, within=(*at, "number"))
    try:
        table, full["first"] = place_of(int(first), full.get("table"), numbering)
    except ValueError as error:
        raise RefusedError(f"is not right: {error}", within=(*at, "number")) from None
    if table is not None:
        full["table"] = table


def _check_consistency(full: dict[str, Any], at: Path, bits: bool, words: int) -> None:
    """Refuse values that are right one by one and contradict each other."""
    last = full["first"] + full["count"] - 1
    least, most = full.get("minimum", -math.inf), full.get("maximum", math.inf)
    kind, table, access = full["type"], full["table"], full["access"]
    scaled = kind == "bool" and ("scale" in full or "offset" in full)
    rules = (
        (bits and kind != "bool", "type", f'is "{kind}"', f'"bool", since the table is {table}'),
        (full["count"] % words != 0, "count", f"is {full['count']}", f"a multiple of {words}, for {kind}"),
        (last > LAST_ADDRESS, "count", f"ends at {last}", f"addresses up to {LAST_ADDRESS}"),
        (
            access == "rw" and table not in WRITABLE,
            "access",
            'is "rw"',
            f'"ro" or "none", since the table {table} is read-only',
        ),
        (least > most, "minimum", f"is {least:g}", "a number not above maximum"),
        (full.get("scale") == 0, "scale", "is 0", "a number other than 0"),
        (scaled, "type", 'is "bool"', "another type where scale or offset is given"),
    )
    for broken, key, what, expected in rules:
        if broken:
            raise RefusedError(what, expected, within=(*at, key))
