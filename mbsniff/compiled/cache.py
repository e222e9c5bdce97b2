"""The sources' digest in, the folder with machine code of exactly these sources out."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import stat
import sys
from pathlib import Path

from mbsniff.compiled.marks import CALL, ENTRY, INLINE

_PACKAGE = Path(__file__).parents[1]
LOOPLESS = frozenset(
    {"site", "diagnose", "audit", "writes", "plan", "compare", "draft", "story", "report", "cli"}
)  # no loop lives there
SUFFIX = ".loop"
_DIGEST_BYTES = hashlib.sha256().digest_size
_KEPT_VERSIONS = 4


def kernels_ready() -> bool:
    """Whether an earlier run left machine code in the cache, so that (almost) nothing compiles."""
    return _any_file("*")


@functools.cache
def is_ready(kernel: str) -> bool:
    """Whether an earlier run left the machine code of the kernel of this name in the cache."""
    return _any_file(f"*.{kernel}-*")


def _any_file(pattern: str) -> bool:
    folder = cache_folder()
    return folder is not None and next(folder.glob(pattern + SUFFIX), None) is not None


def load(name: str) -> bytes | None:
    """The machine code of this name; None where there is none, or where the file is damaged."""
    folder = cache_folder()
    if folder is None:
        return None
    try:
        content = (folder / (name + SUFFIX)).read_bytes()
    except OSError:
        return None
    digest, code = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
    return code if hashlib.sha256(code).digest() == digest else None


def keep(name: str, code: bytes) -> None:
    """Leave machine code for later runs, whole or not at all; where that fails, they compile again."""
    folder = cache_folder()
    if folder is None:
        return
    unfinished = folder / f"{name}.{os.getpid()}"
    try:
        unfinished.write_bytes(hashlib.sha256(code).digest() + code)
        unfinished.replace(folder / (name + SUFFIX))
    except OSError:
        unfinished.unlink(missing_ok=True)


def bounds_checked() -> bool:
    """Whether MBSNIFF_BOUNDS asks for compiled loops that check every index (for fuzzing)."""
    return os.environ.get("MBSNIFF_BOUNDS", "") not in ("", "0")


@functools.cache
def sources_digest() -> str:
    """Hex digest of all that machine code depends on: sources, compiler, flags, Python, machine."""
    digest = hashlib.sha256()
    for path in sorted(_PACKAGE.rglob("*.py")):
        if path.relative_to(_PACKAGE).parts[0] in LOOPLESS:
            continue
        digest.update(path.relative_to(_PACKAGE).as_posix().encode() + b"\0")
        digest.update(path.read_bytes())
    facts = (_compiler(), sys.version, platform.machine(), bounds_checked(), INLINE, CALL, ENTRY)
    digest.update(repr(facts).encode())
    return digest.hexdigest()[:24]


def _compiler() -> list[str]:
    """Name and version of the compiler's packages, as their folders beside one another say."""
    names = ("numba", "llvmlite", "numpy")
    found = (path.name for folder in sys.path if folder for path in Path(folder).glob("*-info"))
    return sorted(name for name in found if name.partition("-")[0] in names)


@functools.cache
def cache_folder() -> Path | None:
    """The folder for machine code of exactly these sources, or None where nowhere is fit to write.

    Tried in order: MBSNIFF_CACHE, beside the sources, the user's cache folder. A folder that belongs to
    somebody else, or that others may write, is refused: what lies in it is run.
    """
    for parent in _parents():
        folder = parent / f"loops-{sources_digest()}"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        except OSError:
            continue
        if os.access(folder, os.W_OK) and _is_private(folder):
            _prune(parent, folder)
            return folder
    return None


def _parents() -> list[Path]:
    named = os.environ.get("MBSNIFF_CACHE")
    if named:
        return [Path(named)]
    user = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    parents = [_PACKAGE / "__pycache__"]
    with contextlib.suppress(RuntimeError):  # no home folder is known
        parents.append((Path(user) if user else Path.home() / ".cache") / "mbsniff")
    return parents


def _is_private(folder: Path) -> bool:
    """Whether the folder is this user's and nobody else can write in it (POSIX; elsewhere trusted)."""
    if not hasattr(os, "getuid"):
        return True
    facts = folder.stat()
    return facts.st_uid == os.getuid() and not facts.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _prune(parent: Path, current: Path) -> None:
    """Forget the machine code of older sources, except the most recent few."""
    try:
        others = [p for p in parent.glob("loops-*") if p != current]
        others.sort(key=lambda p: p.stat().st_mtime, reverse=True)
    except OSError:
        return
    for old in others[_KEPT_VERSIONS:]:
        import shutil

        shutil.rmtree(old, ignore_errors=True)
