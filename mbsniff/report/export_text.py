"""Rows of an export in, pieces of its text out, in order: CSV, or JSON a line."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator

from mbsniff.report.sheets import inert

Rows = Iterable[list[list[object]]]


def csv_text(fields: tuple[str, ...], rows: Rows) -> Iterator[str]:
    """A heading, then a line a row; lists are separated by spaces, absent values empty. Texts act in no spreadsheet."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(fields)
    for chunk in rows:
        writer.writerows([_cell(value) for value in row] for row in chunk)
        yield text.getvalue()
        text.seek(0)
        text.truncate()
    yield text.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str):  # nearly all begin with a letter or digit and print
        return value if value[:1].isalnum() and value.isprintable() else inert(value)
    return " ".join(map(str, value)) if isinstance(value, list) else value


def jsonl_text(fields: tuple[str, ...], rows: Rows) -> Iterator[str]:
    """An object a row, each on its line; absent values are null."""
    for chunk in rows:
        yield "".join(json.dumps(dict(zip(fields, row, strict=True))) + "\n" for row in chunk)


TEXTS: dict[str, Callable[[tuple[str, ...], Rows], Iterator[str]]] = {"csv": csv_text, "jsonl": jsonl_text}
