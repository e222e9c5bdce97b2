"""Everything about compiling: plain Python loops in, the same loops as machine code out.

The hot loops of mbsniff are ordinary functions over integers and arrays, marked ``@kernel`` (what
Python calls), ``@helper`` (what kernels and helpers call) or ``@rare`` (a helper off the hot path).
Run as they are, they are the *uncompiled twin*: bounds-checked, slow, and started without a compiler.
Called with ``compiled=True``, the same code objects are rebound to numba functions, recursively. Both
must agree on every input; tests and fuzz cases compare them.

Three rules keep them equal (plain and compiled code differ on integers otherwise):

* arrays are read through ``& mask`` expressions or from int64 columns, so that all values are int64;
* every value stays in [0, 2**63), with -1 for "none"; nothing is shifted out of that range;
* stores into narrower columns are masked first.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib
import importlib.util
import os
import pickle
import platform
import shutil
import stat
import sys
import tempfile
import types
from collections.abc import Callable, Iterator
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

F = TypeVar("F", bound=Callable[..., Any])

_HELPER = "__mbsniff_helper__"
_PACKAGE = Path(__file__).parent
LOOPLESS = frozenset(
    {"site", "diagnose", "audit", "writes", "plan", "compare", "draft", "story", "report", "cli"}
)  # no loop lives there
_INLINE = {
    "forceinline": True,
    "_nrt": False,
    "nogil": True,
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
_CALL = {"_nrt": False, "nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
_ENTRY = {"_nrt": False, "nogil": True, "no_cfunc_wrapper": True}

_LOAD_ERRORS = (pickle.UnpicklingError, EOFError, ValueError, KeyError, IndexError, AttributeError)
_KEPT_VERSIONS = 4


def _nobody(name: str) -> None:
    """Nobody wants to know."""


_announce: Callable[[str], None] = _nobody


def helper(function: F) -> F:
    """Mark a function that kernels call: inlined when compiled, an ordinary call otherwise."""
    setattr(function, _HELPER, _INLINE)
    return function


def rare(function: F) -> F:
    """Mark a helper off the hot path: never forced inline, so that it is compiled once, not at each call."""
    setattr(function, _HELPER, _CALL)
    return function


class Kernel:
    """A loop over arrays that runs uncompiled (the default) or compiled, with equal results.

    Array arguments are C-contiguous numpy arrays; uncompiled runs see them through memoryviews, whose
    items are plain Python integers and whose bounds are checked.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        self.function = function
        self.__doc__ = function.__doc__
        self.__name__ = function.__name__
        self._dispatcher: Any = None

    def __call__(self, *arguments: Any, compiled: bool = False) -> Any:
        """Run the loop, compiled or as it is."""
        if compiled:
            if self._dispatcher is None:
                self._dispatcher = _ready_dispatcher(self.function, arguments)
            return self._dispatcher(*arguments)
        views = [memoryview(a) if isinstance(a, np.ndarray) else a for a in arguments]  # type: ignore[arg-type]
        return self.function(*views)


def kernel(function: Callable[..., Any]) -> Kernel:
    """Mark a loop that Python calls."""
    return Kernel(function)


def kernels_ready() -> bool:
    """Whether an earlier run left machine code in the cache, so that (almost) nothing compiles."""
    folder = cache_folder()
    return folder is not None and next(folder.rglob("*.nbi"), None) is not None


@functools.cache
def is_ready(kernel: str) -> bool:
    """Whether an earlier run left the machine code of the kernel of this name in the cache."""
    folder = cache_folder()
    return folder is not None and next(folder.rglob(f"*.{kernel}-*.nbi"), None) is not None


def on_compiling(callback: Callable[[str], None]) -> None:
    """Have ``callback`` told the kernel's name each time one is about to be compiled anew."""
    global _announce
    _announce = callback


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
    versions = [metadata.version(name) for name in ("numba", "llvmlite", "numpy")]
    facts = (versions, sys.version, platform.machine(), bounds_checked(), _INLINE, _CALL, _ENTRY)
    digest.update(repr(facts).encode())
    return digest.hexdigest()[:24]


@functools.cache
def cache_folder() -> Path | None:
    """The folder for machine code of exactly these sources, or None where nowhere is fit to write.

    Tried in order: MBSNIFF_CACHE, beside the sources, the user's cache folder. A folder that belongs to
    somebody else, or that others may write, is refused: its files are unpickled.
    """
    for parent in _cache_parents():
        folder = parent / f"loops-{sources_digest()}"
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            with tempfile.TemporaryFile(dir=folder):
                pass
        except OSError:
            continue
        if _is_private(folder):
            _prune(parent, folder)
            return folder
    return None


def _cache_parents() -> list[Path]:
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
        shutil.rmtree(old, ignore_errors=True)


def _ready_dispatcher(function: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    """The numba dispatcher of a kernel, loaded from the cache or compiled, for these argument types."""
    numba = _numba()

    signature = tuple(numba.typeof(a) for a in arguments)
    folder = cache_folder()
    if folder is not None:
        try:
            return _dispatcher(function, signature, folder)
        except _LOAD_ERRORS:  # a damaged cache file: forget this kernel's files and build them again
            for path in folder.rglob(f"*{function.__name__}-*"):
                path.unlink(missing_ok=True)
        try:
            return _dispatcher(function, signature, folder)
        except (*_LOAD_ERRORS, OSError):
            pass
    return _dispatcher(function, signature, None)


def _dispatcher(function: Callable[..., Any], signature: Any, folder: Path | None) -> Any:
    numba = _numba()

    if folder is None or next(folder.rglob(f"*.{function.__name__}-*.nbi"), None) is None:
        _announce(function.__name__)
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = "" if folder is None else str(folder)
    try:
        made: dict[Any, Any] = {}
        rebound = _rebind(function, made)
        dispatcher = numba.njit(cache=folder is not None, boundscheck=bounds_checked(), **_ENTRY)(rebound)
        with _optimizing_but({helper.__qualname__ for helper in made}):
            dispatcher.compile(signature)
    finally:
        numba.config.CACHE_DIR = before
    return dispatcher


def _numba() -> Any:
    """The compiler, imported only where something compiles."""
    if "numba" not in sys.modules:
        _import_numba()
    return sys.modules["numba"]


def _import_numba() -> None:
    """Import numba without scipy, which it asks for linear algebra: no loop has any, and that takes 0.3 s.

    Whoever else compiles linear algebra in this process has numba import scipy then.
    """
    with _out_of_sight("scipy"):
        arrays = importlib.import_module("numba.np.arraymath")
    if "_HAVE_BLAS" in vars(arrays):
        vars(arrays)["_HAVE_BLAS"] = importlib.util.find_spec("scipy") is not None


@contextlib.contextmanager
def _out_of_sight(name: str) -> Iterator[None]:
    """Have imports of a package fail, unless it was imported before."""
    if name in sys.modules:
        yield
        return
    sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[name]


@contextlib.contextmanager
def _optimizing_but(helpers: set[str]) -> Iterator[None]:
    """Have helpers optimized only as parts of their kernel: once, not again at each level of calls.

    This halves the time to compile. It reaches into numba's code library; where that has changed, it does nothing.
    """
    from numba.core.codegen import CPUCodeLibrary

    name = "_optimize_final_module"
    optimize = getattr(CPUCodeLibrary, name, None)
    if optimize is None:
        yield
        return

    def unless_helper(library: Any) -> None:
        if library.name not in helpers:
            optimize(library)

    setattr(CPUCodeLibrary, name, unless_helper)
    try:
        yield
    finally:
        setattr(CPUCodeLibrary, name, optimize)


def _rebind(function: Callable[..., Any], made: dict[Any, Any]) -> types.FunctionType:
    """The same code object over globals in which every helper is its compiled counterpart."""
    names = {
        name: function.__globals__[name]
        for name in function.__code__.co_names
        if name in function.__globals__
    }
    for name, value in names.items():
        if hasattr(value, _HELPER):
            names[name] = _compiled_helper(value, made)
    names["__name__"] = function.__module__
    rebound = types.FunctionType(function.__code__, names, function.__name__)
    rebound.__qualname__ = function.__qualname__
    rebound.__module__ = function.__module__
    return rebound


def _compiled_helper(function: Callable[..., Any], made: dict[Any, Any]) -> Any:
    numba = _numba()

    if function not in made:
        jit = numba.njit(boundscheck=bounds_checked(), **getattr(function, _HELPER))
        made[function] = _compiled_once(jit(_rebind(function, made)))
    return made[function]


def _compiled_once(dispatcher: Any) -> Any:
    """Have constants that a helper is called with not ask for a copy of their own: inlining sees them anyway.

    This saves a quarter of what there is to compile.
    """
    resolve, unliteral = dispatcher.get_call_template, _numba().types.unliteral

    def by_type(arguments: Any, named: dict[str, Any]) -> Any:
        return resolve(
            tuple(unliteral(a) for a in arguments), {name: unliteral(a) for name, a in named.items()}
        )

    dispatcher.get_call_template = by_type
    return dispatcher
