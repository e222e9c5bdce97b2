"""A table of a site file → the fields that its values fill, each checked by the table of keys."""

from __future__ import annotations

from typing import Any

from mbsniff.site.keys import TABLES, Table
from mbsniff.site.kinds import Path, RefusedError, nearest, shown


def check_names(content: dict[str, Any]) -> None:
    """Refuse what is no table of a site file."""
    known = [table.name for table in TABLES]
    headers = ", ".join(table.header for table in TABLES)
    for name in content:
        if name not in known:
            hint = f"Known: {headers}."
            raise RefusedError(f"is not known{nearest(name, known)}", hint=hint, within=(name,))


def entries_of(table: Table, content: Any) -> list[dict[str, Any]]:
    """The fields of each table of that name in the file; ``content`` is what stands under the name, or None."""
    if content is None:
        return []
    wanted = f"{'tables' if table.repeated else 'one table'} headed {table.header}"
    if not table.repeated:
        return [fields_of(table, content, (table.name,), wanted)]
    return rows_of(table, content, (table.name,), wanted)


def rows_of(table: Table, content: Any, within: Path, wanted: str) -> list[dict[str, Any]]:
    """The fields of each table of a list."""
    if not isinstance(content, list):
        raise RefusedError(f"is {shown(content)}", wanted, within=within)
    return [fields_of(table, row, (*within, index), wanted) for index, row in enumerate(content)]


def fields_of(table: Table, row: Any, within: Path, wanted: str) -> dict[str, Any]:
    """The fields that one table's values fill."""
    if not isinstance(row, dict):
        raise RefusedError(f"is {shown(row)}", wanted, within=within)
    fields: dict[str, Any] = {}
    for name, value in row.items():
        key = table.key(name)
        at = (*within, name)
        if key is None:
            known = [k.name for k in table.keys]
            hint = f"Known in {table.header}: {', '.join(known)}."
            raise RefusedError(f"is not known{nearest(name, known)}", hint=hint, within=at)
        if key.field in fields:
            raise RefusedError("stands beside the other", f"either {table.rivals(key)}", within=at)
        fields[key.field] = key.kind.read(value, *at)
    for key in table.keys:
        if key.required and key.name not in row:
            raise RefusedError("is missing", key.kind.expected, within=(*within, key.name))
    return fields
