"""Text that is valid TOML → the line of each key and list item, which the TOML reader does not tell."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

from mbsniff.site.kinds import Path

# TOML v1.0.0, sections "Keys", "String" and "Comment"; multi-line strings may end in up to five quotes.
_TOKEN = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?:"{0,2})'''
    r"""|'''.*?'''(?:'{0,2})"""
    r"""|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'|\#[^\n]*|[\[\]{}=,.\n]|[^\s\[\]{}=,.\#"']+""",
    re.DOTALL,
)

Token = tuple[str, int]  # its text, and the line (from 1) where it begins


class Lines:
    """Where the keys of a TOML text stand."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._last_index: dict[Path, int] = {}  # of each list made by [[headers]]
        table: Path = ()
        for statement in _statements(text):
            if statement[0][0] == "[":
                table = self._header(statement)
            else:
                self._pair(table, statement)

    def line(self, path: Path) -> int | None:
        """The line of a key or list item, or of the nearest thing around it that has one."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path)

    def _note(self, path: Path, line: int) -> None:
        self._lines.setdefault(path, line)

    def _header(self, statement: list[Token]) -> Path:
        line = statement[0][1]
        names = [_name(token) for token, _ in statement if token not in "[]."]
        path: Path = ()
        for depth, name in enumerate(names, 1):
            path = (*path, name)
            self._note(path, line)
            if depth == len(names) and statement[1][0] == "[":
                self._last_index[path] = self._last_index.get(path, -1) + 1
            if path in self._last_index:
                path = (*path, self._last_index[path])
                self._note(path, line)
        return path

    def _pair(self, table: Path, statement: list[Token]) -> None:
        """Walk ``key = value``; ``at`` is where the next value belongs, None while a key is being read."""
        inside: list[Path] = [table]  # the tables and lists around the current token
        index: list[int | None] = [None]  # the current item of each, None in a table
        names: list[str] = []
        at: Path | None = None
        for token, line in statement:
            if at is None and token not in "={}[],.":
                names.append(_name(token))
            elif token == "=":
                at = self._key(inside[-1], names, line)
            elif token in "[{" and at is not None:
                self._note(at, line)
                inside.append(at)
                index.append(0 if token == "[" else None)
                at, names = ((*at, 0), []) if token == "[" else (None, [])
            elif token in "]}":
                at = inside.pop()
                index.pop()
            elif token == ",":
                number = index[-1]
                index[-1] = None if number is None else number + 1
                at, names = (None if number is None else (*inside[-1], number + 1)), []
            elif at is not None:
                self._note(at, line)

    def _key(self, table: Path, names: list[str], line: int) -> Path:
        for depth in range(1, len(names) + 1):
            self._note((*table, *names[:depth]), line)
        return (*table, *names)


def _statements(text: str) -> Iterator[list[Token]]:
    """The tokens of each header and each key with its value, comments and line ends left out."""
    statement: list[Token] = []
    depth, line, counted = 0, 1, 0
    for match in _TOKEN.finditer(text):
        line += text.count("\n", counted, match.start())
        counted = match.start()
        token = match[0]
        depth += (token in ("[", "{")) - (token in ("]", "}"))
        if token == "\n" and depth == 0 and statement:
            yield statement
            statement = []
        elif token != "\n" and not token.startswith("#"):
            statement.append((token, line))
    if statement:
        yield statement


def _name(token: str) -> str:
    """A bare or quoted key as it reads without quotes and escapes."""
    return next(iter(tomllib.loads(f"{token} = 0"))) if token[0] in "\"'" else token
