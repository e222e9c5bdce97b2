"""What marks a function as part of a loop, and with which options it compiles: @helper, @rare."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])

HELPER = "__mbsniff_helper__"
_BARE = {"_nrt": False, "nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
INLINE: dict[str, bool] = {"forceinline": True, **_BARE}
CALL: dict[str, bool] = {
    "forceinline": False,
    **_BARE,
}  # else those that a helper calls would be inlined as it is
ENTRY: dict[str, bool] = _BARE


def helper(function: F) -> F:
    """Mark a function that kernels call: inlined when compiled, an ordinary call otherwise."""
    setattr(function, HELPER, INLINE)
    return function


def rare(function: F) -> F:
    """Mark a helper off the hot path: never forced inline, so that it is compiled once, not at each call."""
    setattr(function, HELPER, CALL)
    return function
