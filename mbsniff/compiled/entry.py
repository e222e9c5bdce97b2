"""The form of a loop's arguments in, LLVM's text of the function that hands them over from slots out.

numba's functions take the address of what they return, that of an exception, then their arguments flattened: an
array is an owner and an object (null here, nothing owns it), its number of items, its bytes an item, its
address, and for each dimension its length, then its stride.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.compiled.machine import AN_INT, Form

_SLOT = """  %at{0} = getelementptr i64, ptr %slots, i64 {0}
  %slot{0} = load {1}, ptr %at{0}
"""


def parameter_types(form: Form) -> list[str]:
    """LLVM's types of the parameters that a loop of this form is expected to have."""
    expected = ["ptr", "ptr"]
    for dtype, dimensions in form:
        expected += ["i64"] if (dtype, dimensions) == AN_INT else ["ptr", "ptr", "i64", "i64", "ptr"]
        expected += ["i64"] * (2 * dimensions)
    return expected


def entry_text(entry: str, name: str, form: Form) -> str:
    """A module of one function: ``i32 entry(ptr slots)``, which calls ``name`` and leaves its result in slot 0."""
    types = parameter_types(form)
    lines, values, slot = list[str](), ["%slots", "%excinfo"], 1
    for dtype, dimensions in form:
        if (dtype, dimensions) == AN_INT:
            lines.append(_SLOT.format(slot, "i64"))
            values.append(f"%slot{slot}")
        else:
            lines.append(_SLOT.format(slot, "ptr"))
            values += _array(slot, np.dtype(dtype).itemsize, dimensions, lines)
        slot += 1 + dimensions
    handed = ", ".join(f"{kind} {value}" for kind, value in zip(types, values, strict=True))
    return f"""declare i32 @"{name}"({", ".join(types)})

define i32 @"{entry}"(ptr %slots) {{
  %excinfo = alloca ptr
{"".join(lines)}  %status = call i32 @"{name}"({handed})
  ret i32 %status
}}
"""


def _array(slot: int, item_bytes: int, dimensions: int, lines: list[str]) -> Iterator[str]:
    """The values of a C-contiguous array whose address is in a slot, its lengths in those behind."""
    lengths = [f"%slot{slot + k}" for k in range(1, dimensions + 1)]
    lines += [_SLOT.format(slot + k, "i64") for k in range(1, dimensions + 1)]
    strides, items = [str(item_bytes)], lengths[-1]
    for k in range(dimensions - 1, 0, -1):
        lines.append(f"  %stride{slot + k} = mul i64 {strides[0]}, {lengths[k]}\n")
        strides.insert(0, f"%stride{slot + k}")
    for k in range(dimensions - 2, -1, -1):
        lines.append(f"  %items{slot + k} = mul i64 {items}, {lengths[k]}\n")
        items = f"%items{slot + k}"
    return iter(["null", "null", items, str(item_bytes), f"%slot{slot}", *lengths, *strides])
