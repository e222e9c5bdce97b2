"""A site file → Site, or a SiteError that names the file, the line and the key."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from mbsniff.errors import SiteError
from mbsniff.site.keys import TABLES, Table
from mbsniff.site.kinds import Path, RefusedError, cut, nearest, shown
from mbsniff.site.limits import Device, Limits, Master
from mbsniff.site.lines import Lines
from mbsniff.site.relations import check_relations
from mbsniff.site.site import Site

MOST_BYTES = 4_000_000  # thousands of devices; anything larger is some other file

# A dotted key of 17 parts or more: the TOML reader's memory grows with the square of their number.
_LONG_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){16}""")
_POSITION = re.compile(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$")
_EXAMPLE = 'A site file is text such as: [[device]] name = "zone 3" address = "192.0.2.53" watchdog_s = 3'


def load_site(path: str) -> Site:
    """Read a site file.

    Raises SiteError for a file that cannot be read, is no TOML, or holds a key or value that is not
    allowed; the first fault found is the one that is told.
    """
    text = _read(path)
    try:
        return _site(_parse(text, path), path)
    except RefusedError as refused:
        raise _located(refused, text, path) from None


def _read(path: str) -> str:
    try:
        with FilePath(path).open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise SiteError(f"cannot be read: {error.strerror or error}", file=path) from None
    except ValueError:  # a NUL within the name
        raise SiteError("is no name that a file can have", file=path) from None
    if len(data) > MOST_BYTES:
        raise SiteError(f"is larger than any site file ({MOST_BYTES:,} bytes)", file=path, hint=_EXAMPLE)
    try:
        return data.decode("utf-8-sig")  # with or without a byte order mark
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SiteError("is not UTF-8 text", file=path, line=line, hint="Save it as UTF-8.") from None


def _parse(text: str, path: str) -> dict[str, Any]:
    long_key = _LONG_KEY.search(text)
    if long_key:
        at = text.count("\n", 0, long_key.start()) + 1
        raise SiteError("is nested too deeply", file=path, line=at)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SiteError("is nested too deeply", file=path) from None
    except ValueError as error:  # TOMLDecodeError, and integers of thousands of digits
        message = str(error)
    found = _POSITION.search(message)
    line = int(found[1]) if found and found[1] else text.count("\n") + 1 if found else None
    column = f" at column {found[2]}" if found and found[2] else ""
    what = f"is not valid TOML{column}: {cut(message[: found.start()] if found else message, 160)}"
    raise SiteError(what, file=path, line=line, hint=_quotes_hint(text, line))


def _quotes_hint(text: str, line: int | None) -> str | None:
    """What to try where a value of the line looks like text without quotes, the commonest mistake."""
    source = text.split("\n")[line - 1] if line else ""
    bare = re.match(r"\s*\w+\s*=\s*[^\s\"'\[{\d]", source)
    return "Text stands in double quotes." if bare else None


def _site(content: dict[str, Any], path: str) -> Site:
    entries = {table.name: _entries(table, content.pop(table.name, None)) for table in TABLES}
    for name in content:
        known = [table.name for table in TABLES]
        headers = ", ".join(table.header for table in TABLES)
        raise RefusedError(f"is not known{nearest(name, known)}", hint=f"Known: {headers}.", within=(name,))
    defaults = replace(Limits(), **entries["defaults"][0]) if entries["defaults"] else Limits()
    masters = tuple(Master(**fields) for fields in entries["master"])
    devices = tuple(_device(fields, defaults) for fields in entries["device"])
    site = Site(masters, devices, defaults, path)
    check_relations(site)
    return site


def _entries(table: Table, content: Any) -> list[dict[str, Any]]:
    """The fields of each table of that name in the file, checked one by one."""
    if content is None:
        return []
    wanted = f"{'tables' if table.repeated else 'one table'} headed {table.header}"
    if not table.repeated:
        rows: list[tuple[Path, Any]] = [((table.name,), content)]
    elif isinstance(content, list):
        rows = [((table.name, index), row) for index, row in enumerate(content)]
    else:
        raise RefusedError(f"is {shown(content)}", wanted, within=(table.name,))
    for within, row in rows:
        if not isinstance(row, dict):
            raise RefusedError(f"is {shown(row)}", wanted, within=within)
    return [_fields(table, row, within) for within, row in rows]


def _fields(table: Table, row: dict[str, Any], within: Path) -> dict[str, Any]:
    """The fields that a table's values fill, each checked."""
    fields: dict[str, Any] = {}
    for name, value in row.items():
        key = table.key(name)
        at = (*within, name)
        if key is None:
            known = [k.name for k in table.keys]
            hint = f"Known in {table.header}: {', '.join(known)}."
            raise RefusedError(f"is not known{nearest(name, known)}", hint=hint, within=at)
        if key.field in fields:
            raise RefusedError("stands beside the other", "either unit_id or units", within=at)
        read = key.kind.read(value, *at)
        fields[key.field] = (read,) if name == "unit_id" else read
    for key in table.keys:
        if key.required and key.name not in row:
            raise RefusedError("is missing", key.kind.expected, within=(*within, key.name))
    return fields


def _device(fields: dict[str, Any], defaults: Limits) -> Device:
    limits = {name: value for name, value in fields.items() if hasattr(defaults, name)}
    own = {name: value for name, value in fields.items() if name not in limits}
    return Device(**{"name": None, **own}, limits=replace(defaults, **limits))


def _located(refused: RefusedError, text: str, path: str) -> SiteError:
    """The error for people: the file, the line, the key, and what was refused."""
    steps = refused.within
    names = [step for step in steps if isinstance(step, str)]
    inside_entry = len(names) > 1
    key = ".".join(names[1:] if inside_entry else names)
    subject = f'key "{cut(key)}"'
    if inside_entry and isinstance(steps[-1], int):
        subject = f"item {steps[-1] + 1} of {subject}"
    return SiteError(
        f"{subject} {refused.what}",
        file=path,
        line=Lines(text).line(steps),
        key=key,
        expected=refused.expected,
        hint=refused.hint,
    )
