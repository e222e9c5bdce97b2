"""Machine code in, a callable loop out: LLVM links it, nothing else of the compiler is imported.

A loop is entered through one pointer to a row of int64 *slots*: the first takes what the loop returns, then
each argument has its own, an integer as it is, an array as its address and its shape. So arguments need no
types of the compiler's, whose import takes longer than many a capture.
"""

from __future__ import annotations

import ctypes
import functools
import weakref
from typing import Any

import numpy as np

from mbsniff.compiled.cache import bounds_checked

Form = tuple[tuple[str, int], ...]
"""For each argument its dtype, as ``numpy.dtype.str`` has it, and its dimensions; AN_INT for an integer."""
AN_INT = ("int", 0)


def form_of(arguments: tuple[Any, ...]) -> Form:
    """What machine code has to be found or made for.

    Raises:
        TypeError: an argument is neither an integer nor a C-contiguous, aligned array.
    """
    return tuple(_form(argument) for argument in arguments)


def _form(argument: Any) -> tuple[str, int]:
    if isinstance(argument, np.ndarray):
        if not (argument.flags.c_contiguous and argument.flags.aligned):
            raise TypeError("compiled loops take arrays that are C-contiguous and aligned")
        return argument.dtype.str, argument.ndim
    if isinstance(argument, int | np.integer):
        return AN_INT
    raise TypeError(f"compiled loops take arrays and integers, not {type(argument).__name__}")


class Loop:
    """Linked machine code for arguments of one form; for one thread, since the slots are its own."""

    def __init__(self, code: bytes, entry: str, form: Form) -> None:
        self._entry = _linked(code, entry)
        self._name = entry
        sizes = [1 + dimensions for _, dimensions in form]
        self._slots = (ctypes.c_int64 * (1 + sum(sizes)))()
        self._address = ctypes.addressof(self._slots)
        self._places = [1 + sum(sizes[:k]) for k in range(len(form))]
        self._dtypes = [None if part == AN_INT else np.dtype(part[0]) for part in form]
        self._dimensions = [dimensions for _, dimensions in form]
        self._known: list[Any] = [_nothing] * len(form)  # weak references to the arrays in the slots

    def takes(self, arguments: tuple[Any, ...]) -> bool:
        """Place arguments in the slots; False where they are of another form."""
        known = self._known
        if len(arguments) != len(known):
            return False
        for k, argument in enumerate(arguments):
            if known[k]() is not argument and not self._place(k, argument):
                return False
        return True

    def _place(self, k: int, argument: Any) -> bool:
        at, dtype = self._places[k], self._dtypes[k]
        if dtype is None:
            if not isinstance(argument, int | np.integer):
                return False
            self._slots[at] = int(argument)
            return True
        if _form(argument) != (dtype.str, self._dimensions[k]):
            return False
        self._slots[at] = argument.__array_interface__["data"][0]
        for length in argument.shape:
            at += 1
            self._slots[at] = length
        self._known[k] = weakref.ref(argument)
        return True

    def run(self) -> int:
        """Run it over what is in the slots; what it returns.

        Raises:
            IndexError: an index is out of bounds, where they are checked.
            ZeroDivisionError: something was divided by zero.
        """
        if self._entry(self._address):
            raise (IndexError if bounds_checked() else ZeroDivisionError)(f"in the compiled {self._name}")
        return self._slots[0]


def _nothing() -> None:
    """A reference to no array."""
    return None


def target() -> Any:
    """An LLVM target machine for this very processor."""
    from llvmlite import binding

    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    native = binding.Target.from_default_triple()
    name, features = processor()
    reloc = "static" if native.name.startswith("x86") else "default"
    return native.create_target_machine(name, features, opt=3, reloc=reloc, codemodel="jitdefault", jit=True)


@functools.cache
def processor() -> tuple[str, str]:
    """Name and features of this processor, as LLVM calls them."""
    from llvmlite import binding

    return binding.get_host_cpu_name(), binding.get_host_cpu_features().flatten()


@functools.cache
def _engine() -> Any:
    """What links machine code and keeps it."""
    from llvmlite import binding

    machine = target()
    return binding.create_mcjit_compiler(binding.parse_assembly(""), machine)


def _linked(code: bytes, entry: str) -> Any:
    """The function of an object file that takes the slots' address; it returns 0, or why it gave up."""
    from llvmlite import binding

    engine = _engine()
    address = engine.get_function_address(entry)
    if not address:
        engine.add_object_file(binding.ObjectFileRef.from_data(code))
        engine.finalize_object()
        address = engine.get_function_address(entry)
    return ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p)(address)
