"""A CSV file of registers, one a row → rows of typed values, or a RefusedError that leads to the cell."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path as FilePath
from typing import Any

from mbsniff.site.keys import REGISTER_TABLE, Key
from mbsniff.site.kinds import Path, RefusedError, cut, nearest, shown

MOST_BYTES = 16_000_000  # a device has 4 × 65,536 addresses at most
_WHOLE = re.compile(r"[-+]?[0-9]{1,20}")
_NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]{1,4})?")
_FLAGS = {"true": True, "false": False}  # spreadsheets write them in capitals

Places = dict[Path, tuple[str, int]]
"""Where in which register list stands what a path of the site file leads to: file and line."""


def read_list(name: str, folder: FilePath, within: Path, places: Places) -> list[dict[str, Any]]:
    """The rows of a register list beside the site file: values by column, empty cells left out.

    ``within`` leads to the key that names the file; row n gets the path (*within, n), the header 0, and
    its file and line are noted in ``places``.
    """
    rows: list[dict[str, Any]] = []
    keys: list[Key] = []
    path = folder / name
    for line, cells in _rows(_text(name, path, within), (*within, 0), places, str(path)):
        at = (*within, len(rows) + 1)
        places[at if keys else (*within, 0)] = (str(path), line)
        if not keys:
            keys = _header(cells, (*within, 0))
        elif any(cell.strip() for cell in cells):
            rows.append(_row(keys, cells, at))
    if not keys:
        raise RefusedError(f"is {shown(name)}, which is empty", "a first row of column names", within=within)
    return rows


def _text(name: str, path: FilePath, within: Path) -> str:
    parts = FilePath(name)
    if parts.is_absolute() or ".." in parts.parts:
        raise RefusedError(f"is {shown(name)}", "a file in the folder of the site file", within=within)
    try:
        if not path.is_file():
            raise RefusedError(f"is {shown(name)}, and there is no such file", within=within)
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            what = f"is {shown(name)}, a file larger than any register list ({MOST_BYTES:,} bytes)"
            raise RefusedError(what, within=within)
        return data.decode("utf-8-sig")
    except OSError as error:
        what = f"is {shown(name)}, which cannot be read: {error.strerror or error}"
        raise RefusedError(what, within=within) from None
    except UnicodeDecodeError:
        raise RefusedError(f"is {shown(name)}, which is not UTF-8 text", within=within) from None


def _rows(text: str, at: Path, places: Places, file: str) -> Iterator[tuple[int, list[str]]]:
    """Each row with the line where it begins; spreadsheets put semicolons where the comma is for decimals."""
    first = text.split("\n", 1)[0]
    delimiter = ";" if ";" in first and "," not in first else ","
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter, strict=True)
    line = 1
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            places[at] = (file, line)
            raise RefusedError(f"is not valid CSV: {error}", within=at) from None
        if cells is None:
            return
        yield line, cells
        line = reader.line_num + 1


def _header(cells: list[str], at: Path) -> list[Key]:
    known = [key.name for key in REGISTER_TABLE.keys]
    keys: list[Key] = []
    for cell in cells:
        key = REGISTER_TABLE.key(cell.strip())
        if key is None:
            hint = f"Known: {', '.join(known)}."
            raise RefusedError(f"is not known{nearest(cell, known)}", hint=hint, within=(*at, cut(cell)))
        if key in keys:
            raise RefusedError("stands there twice", within=(*at, key.name))
        keys.append(key)
    return keys


def _row(keys: list[Key], cells: list[str], at: Path) -> dict[str, Any]:
    if len(cells) > len(keys):
        what = f"has {len(cells)} cells where the first row has {len(keys)}"
        raise RefusedError(what, hint='A cell that holds the separator stands in "…".', within=at)
    filled = [(key, cell.strip()) for key, cell in zip(keys, cells, strict=False) if cell.strip()]
    return {key.name: _value(key, cell, at) for key, cell in filled}


def _value(key: Key, cell: str, at: Path) -> Any:
    """The cell as the TOML value that it stands for; what is none stays text, and its kind refuses it."""
    if key.kind.cell == "list":
        return [item.strip() for item in cell.split("|")]
    if key.kind.cell == "text":
        return cell
    if _WHOLE.fullmatch(cell):
        return int(cell)
    if _NUMBER.fullmatch(cell):
        return float(cell)
    if _NUMBER.fullmatch(cell.replace(",", ".", 1)):
        hint = "Numbers have a decimal point."
        raise RefusedError(f"is {shown(cell)}", key.kind.expected, hint, (*at, key.name))
    return _FLAGS.get(cell.lower(), cell)
