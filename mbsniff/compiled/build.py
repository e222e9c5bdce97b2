"""A loop and the form of its arguments in, an object file with its machine code out, by way of numba."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import sys
import types
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from mbsniff.compiled.cache import bounds_checked
from mbsniff.compiled.entry import entry_text, parameter_types
from mbsniff.compiled.machine import AN_INT, Form, target
from mbsniff.compiled.marks import ENTRY, HELPER


class ConventionError(Exception):
    """This compiler does not build its functions, or hand them their arguments, in the way that is known."""


def object_file(function: Callable[..., Any], form: Form, entry: str) -> bytes:
    """An object file whose function ``entry`` runs the loop over slots (see ``machine.py``).

    Raises:
        ConventionError: the compiler's way of calling has changed.
        TypeError: the loop returns something other than an int.
    """
    from llvmlite import binding

    numba, made = compiler(), dict[Any, Any]()
    signature = tuple(_type(numba, *part) for part in form)
    dispatcher = numba.njit(boundscheck=bounds_checked(), **ENTRY)(rebound(function, made))
    with _only_as_parts({helper.__qualname__ for helper in made}):
        dispatcher.compile(signature)
    (compiled,) = dispatcher.overloads.values()
    if numba.types.unliteral(compiled.signature.return_type) != numba.int64:
        raise TypeError(
            f"{function.__qualname__} returns {compiled.signature.return_type}: loops return an int"
        )
    module = binding.parse_assembly(dispatcher.inspect_llvm(signature))
    name = compiled.fndesc.llvm_func_name
    if [str(each.type) for each in module.get_function(name).arguments] != parameter_types(form):
        raise ConventionError(name)
    module.link_in(binding.parse_assembly(entry_text(entry, name, form)))
    for each in [*module.functions, *module.global_variables]:
        if not each.is_declaration and each.name != entry:
            each.linkage = "internal"  # other loops have helpers of the same names
    module.verify()
    return bytes(target().emit_object(module))


class CalledByNumba:
    """The loop as numba itself compiles and calls it, for versions whose convention is another; kept nowhere."""

    def __init__(self, function: Callable[..., Any]) -> None:
        plain = {name: value for name, value in ENTRY.items() if name != "no_cpython_wrapper"}
        self._call = compiler().njit(boundscheck=bounds_checked(), **plain)(rebound(function, {}))
        self._arguments: tuple[Any, ...] = ()

    def takes(self, arguments: tuple[Any, ...]) -> bool:
        """Note the arguments, of whatever form."""
        self._arguments = arguments
        return True

    def run(self) -> int:
        """Run it; what it returns."""
        return int(self._call(*self._arguments))


def _type(numba: Any, dtype: str, dimensions: int) -> Any:
    if (dtype, dimensions) == AN_INT:
        return numba.int64
    return numba.types.Array(numba.from_dtype(np.dtype(dtype)), dimensions, "C")


def compiler() -> Any:
    """numba, imported only where something compiles."""
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
def _only_as_parts(helpers: set[str]) -> Iterator[None]:
    """Have numba link and optimize the loop with its helpers in it, not each helper too, and make no machine code.

    Else it would do all of that for every helper alone, which is never called, and again for all that it calls. This
    takes two thirds off the time to compile. It reaches into numba's code libraries.

    Raises:
        ConventionError: these have changed.
    """
    try:
        from numba.core.codegen import CPUCodeLibrary, JITCodeLibrary, JITCPUCodegen

        owners: list[tuple[Any, str]] = [(CPUCodeLibrary, "finalize"), (JITCodeLibrary, "_finalize_specific")]
        owners += [(JITCPUCodegen, "_add_module"), (JITCPUCodegen, "set_env")]
        methods = [getattr(owner, name) for owner, name in owners]
    except (ImportError, AttributeError) as error:
        raise ConventionError(str(error)) from error

    def finalize_loop(library: Any) -> None:
        if library.name in helpers:
            library._finalized = True
            return
        library._linking_libraries = _reached(library)
        methods[0](library)

    with contextlib.ExitStack() as stack:
        for (owner, name), method, other in zip(
            owners, methods, [finalize_loop, *[_not_now] * 3], strict=True
        ):
            stack.callback(setattr, owner, name, method)
            setattr(owner, name, other)
        yield


def _reached(library: Any) -> list[Any]:
    """All that a library's code calls, directly or not; each once."""
    found = dict.fromkeys(library._linking_libraries)
    open_ones = list(found)
    while open_ones:
        for called in open_ones.pop()._linking_libraries:
            if called not in found:
                found[called] = None
                open_ones.append(called)
    return list(found)


def _not_now(*_: Any) -> None:
    """Nothing."""


def rebound(function: Callable[..., Any], made: dict[Any, Any]) -> types.FunctionType:
    """The same code object over globals in which every helper is its compiled counterpart, noted in ``made``."""
    names = {
        name: function.__globals__[name]
        for name in function.__code__.co_names
        if name in function.__globals__
    }
    for name, value in names.items():
        if hasattr(value, HELPER):
            names[name] = _compiled_helper(value, made)
    names["__name__"] = function.__module__
    copy = types.FunctionType(function.__code__, names, function.__name__)
    copy.__qualname__ = function.__qualname__
    copy.__module__ = function.__module__
    return copy


def _compiled_helper(function: Callable[..., Any], made: dict[Any, Any]) -> Any:
    if function not in made:
        jit = compiler().njit(boundscheck=bounds_checked(), **getattr(function, HELPER))
        made[function] = _compiled_once(jit(rebound(function, made)))
    return made[function]


def _compiled_once(dispatcher: Any) -> Any:
    """Have constants that a helper is called with not ask for a copy of their own: inlining sees them anyway.

    This saves a quarter of what there is to compile.
    """
    resolve, unliteral = dispatcher.get_call_template, compiler().types.unliteral

    def by_type(arguments: Any, named: dict[str, Any]) -> Any:
        return resolve(
            tuple(unliteral(a) for a in arguments), {name: unliteral(a) for name, a in named.items()}
        )

    dispatcher.get_call_template = by_type
    return dispatcher
