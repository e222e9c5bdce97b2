"""A site file → Site, or a SiteError that names the file, the line and the key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path as FilePath
from typing import Any

from mbsniff.errors import SiteError
from mbsniff.site.build import build_site
from mbsniff.site.kinds import RefusedError, cut
from mbsniff.site.lines import Lines
from mbsniff.site.register_list import Places
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
    places: Places = {}
    try:
        return build_site(_parse(text, path), path, places)
    except RefusedError as refused:
        raise _in_list(refused, places) or _located(refused, text, path) from None


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


def _in_list(refused: RefusedError, places: Places) -> SiteError | None:
    """The error where it lies in a register list: the file, the line, the column; None where it does not."""
    steps = refused.within
    row = next((steps[:n] for n in range(len(steps), 0, -1) if steps[:n] in places), None)
    if row is None:
        return None
    file, line = places[row]
    column = str(steps[len(row)]) if len(steps) > len(row) else None
    subject = f'column "{cut(column)}"' if column is not None else "this row"
    if isinstance(steps[-1], int) and len(steps) > len(row) + 1:
        subject = f"item {steps[-1] + 1} of {subject}"
    return SiteError(
        f"{subject} {refused.what}",
        file=file,
        line=line,
        key=column,
        expected=refused.expected,
        hint=refused.hint,
    )


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
