"""A loop in, something to call out that runs it compiled or as it is."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from typing import Any

import numpy as np

from mbsniff.compiled import cache
from mbsniff.compiled.machine import Form, Loop, form_of, processor


def _nobody(name: str) -> None:
    """Nobody wants to know."""


_announce: Callable[[str], None] = _nobody
_one_at_a_time = threading.Lock()  # LLVM links, and numba compiles, in one thread at once


def on_compiling(callback: Callable[[str], None]) -> None:
    """Have ``callback`` told the kernel's name each time one is about to be compiled anew."""
    global _announce
    _announce = callback


class Kernel:
    """A loop over arrays that runs uncompiled (the default) or compiled, with equal results.

    Arguments are integers and C-contiguous numpy arrays, the result is an integer; uncompiled runs see arrays
    through memoryviews, whose items are plain Python integers and whose bounds are checked.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        self.function = function
        self.__doc__ = function.__doc__
        self.__name__ = function.__name__
        self._of_thread = threading.local()

    def __call__(self, *arguments: Any, compiled: bool = False) -> Any:
        """Run the loop, compiled or as it is.

        Raises:
            TypeError: compiled, an argument is neither an integer nor a C-contiguous array.
            IndexError: an index is out of bounds (compiled, only where MBSNIFF_BOUNDS asks).
            ZeroDivisionError: something was divided by zero.
        """
        if compiled:
            loop = getattr(self._of_thread, "loop", None)
            if loop is None or not loop.takes(arguments):
                loop = self._of_thread.loop = self._loop(arguments)
            return loop.run()
        views = [memoryview(a) if isinstance(a, np.ndarray) else a for a in arguments]  # type: ignore[arg-type]
        return self.function(*views)

    def _loop(self, arguments: tuple[Any, ...]) -> Any:
        """The machine code for arguments of this form, with these in its slots."""
        form = form_of(arguments)
        loops: dict[Form, Any] = self._of_thread.__dict__.setdefault("loops", {})
        if form not in loops:
            with _one_at_a_time:
                loops[form] = _ready(self.function, form)
        loops[form].takes(arguments)
        return loops[form]


def kernel(function: Callable[..., Any]) -> Kernel:
    """Mark a loop that Python calls."""
    return Kernel(function)


def _ready(function: Callable[..., Any], form: Form) -> Any:
    """A loop's machine code, from the cache or compiled; numba's own function where its calls have changed."""
    made_for = hashlib.sha256(repr((form, processor())).encode()).hexdigest()[:16]
    name = f"{function.__module__}.{function.__qualname__}-{made_for}"
    code = cache.load(name)
    if code is None:
        from mbsniff.compiled import build

        _announce(function.__name__)
        try:
            code = build.object_file(function, form, name)
        except build.ConventionError:
            return build.CalledByNumba(function)
        cache.keep(name, code)
    return Loop(code, name, form)
