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

Once compiled, a loop is an object file in the cache (``cache.py``); later runs link and call it without
the compiler (``machine.py``).
"""

from mbsniff.compiled.cache import (
    LOOPLESS,
    bounds_checked,
    cache_folder,
    is_ready,
    kernels_ready,
    sources_digest,
)
from mbsniff.compiled.kernels import Kernel, kernel, on_compiling
from mbsniff.compiled.marks import helper, rare

__all__ = [
    "LOOPLESS",
    "Kernel",
    "bounds_checked",
    "cache_folder",
    "helper",
    "is_ready",
    "kernel",
    "kernels_ready",
    "on_compiling",
    "rare",
    "sources_digest",
]
