"""What the user named in (files, folders, patterns), the paths to look at out."""

from __future__ import annotations

import glob
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mbsniff.capture.source import EXPECTED, STANDARD_INPUT
from mbsniff.errors import CaptureError


@dataclass(frozen=True)
class Candidate:
    """A path that may be a capture."""

    path: str
    given: str
    """The file, folder or pattern that the user named."""

    @property
    def named(self) -> bool:
        """Whether the user named this very file, so that it must be a capture."""
        return self.path == self.given


@dataclass(frozen=True)
class Skipped:
    """A file of a folder or pattern that is not read, and why."""

    file: str
    why: str


def candidates(names: Sequence[str]) -> tuple[list[Candidate], list[Skipped]]:
    """The files that the names stand for, each once, and what in folders and patterns is no file.

    A folder stands for the files in it, without folders and names that begin with a dot. A pattern (``*``, ``?``,
    ``[...]``; ``**`` for folders at any depth) stands for what matches it, as far as no file bears that very
    name. CaptureError for a folder that holds no file, and for a pattern that nothing matches.
    """
    found: list[Candidate] = []
    skipped: list[Skipped] = []
    for name in names:
        if name == STANDARD_INPUT or not (Path(name).is_dir() or _is_pattern(name)):
            found.append(Candidate(name, name))
            continue
        paths = _in_folder(name, name) if Path(name).is_dir() else _matching(name)
        files = [path for path in paths if Path(path).is_file()]
        skipped += [Skipped(path, "it is a folder") for path in paths if Path(path).is_dir()]
        skipped += [
            Skipped(p, "it is no file") for p in paths if not Path(p).is_file() and not Path(p).is_dir()
        ]
        if not files:
            raise _nothing(name)
        found += [Candidate(path, name) for path in files]
    return _each_once(found), skipped


def _is_pattern(name: str) -> bool:
    return glob.has_magic(name) and not os.path.lexists(name)


def _in_folder(folder: str, given: str) -> list[str]:
    try:
        return [str(path) for path in sorted(Path(folder).iterdir()) if not path.name.startswith(".")]
    except OSError as error:
        what = f"this folder cannot be looked into ({error.strerror or error})"
        hint = "Ask its owner for the right to read it."
        raise CaptureError(what, file=given, expected=EXPECTED, hint=hint) from None


def _matching(pattern: str) -> list[str]:
    """What matches; of a folder that matches, what is in it."""
    paths: list[str] = []
    for path in sorted(glob.iglob(pattern, recursive=True)):  # noqa: PTH207 - Path has none for absolute patterns
        is_folder = Path(path).is_dir() and "**" not in pattern  # ** reaches what is in it anyway
        paths += _in_folder(path, pattern) if is_folder else [path]
    return paths


def _nothing(name: str) -> CaptureError:
    if Path(name).is_dir():
        what, hint = "there is no file in this folder", "Name the folder that the recorder wrote to."
    else:
        what = "no file matches this pattern"
        hint = "Check it, and the folder that it is looked for in."
    return CaptureError(what, file=name, expected="at least one capture", hint=hint)


def _each_once(found: list[Candidate]) -> list[Candidate]:
    """Without what a folder or a pattern brings a second time; what was named twice stays, to be refused."""
    named = {os.path.normpath(c.path) for c in found if c.named and c.path != STANDARD_INPUT}
    kept = []
    for candidate in found:
        path = os.path.normpath(candidate.path)
        if candidate.named or path not in named:
            kept.append(candidate)
            named.add(path)
    return kept
