"""How loops are called once they are machine code: without the compiler, in any thread, with any arrays."""

import pytest

from tests.compiled.package import RUN, Package


def test_later_runs_need_no_compiler(package: Package) -> None:
    """Once the loops are in the cache, they run without the compiler's import, and in any thread."""
    package.run()
    threads = """
import sys
from concurrent.futures import ThreadPoolExecutor
import numpy as np
from mbsniff.loop import total
with ThreadPoolExecutor(4) as pool:
    found = list(pool.map(lambda n: total(np.arange(n), compiled=True), range(400)))
print(found == [n * (n - 1) for n in range(400)], "numba" in sys.modules)
"""
    assert package.run(threads) == "True False"


SUMS = """
from mbsniff.compiled import kernel

@kernel
def weighed(small, table, factor):
    result = 0
    for i in range(len(table)):
        for j in range(table.shape[1]):
            result += (small[i] & 0xFF) * table[i, j] * factor
        table[i, 0] = -factor
    return result

@kernel
def nothing(values):
    values[0] = 1

@kernel
def share(values, parts):
    return values[0] // parts
"""

RUN_SUMS = """
import numpy as np
from mbsniff.sums import nothing, share, weighed
for compiled in (False, True):
    small, table = np.array([1, 2, 255], np.uint8), np.arange(12).reshape(3, 4)
    told = [int(weighed(small, table, f, compiled=compiled)) for f in (3, np.int64(5), 3)]
    told.append(weighed(small[1:], table[1:], 7, compiled=compiled))
    told.append(weighed(small.astype(np.uint16), table.astype(np.int32), 1, compiled=compiled))
    told.append(weighed(small[:0], table[:0], 1, compiled=compiled))
    print(told, table.tolist())
def refused(error, loop, *arguments):
    try:
        loop(*arguments, compiled=True)
    except error:
        return True
small, table = np.zeros(6, np.uint8), np.zeros((6, 2), np.int64)
print(refused(TypeError, weighed, small[::2], table, 1), refused(TypeError, weighed, small, table, 1.5),
    refused(TypeError, weighed, small, table.T, 1), refused(TypeError, nothing, small),
    refused(ZeroDivisionError, share, table[0], 0), share(np.array([9]), 2, compiled=True),
    refused(TypeError, share, table[0]), refused(TypeError, weighed, small, [1], 1))
"""


def test_arguments(package: Package) -> None:
    """Arrays of any type and place give what the plain loop gives; what is no such array is refused."""
    package.write("sums", SUMS)
    for _ in range(2):
        plain, told, errors = package.run(RUN_SUMS).splitlines()
        assert told == plain
        assert errors == "True True True True True 4 True True"


OTHER_CALLS = """
import mbsniff.compiled.entry as entry
entry.parameter_types = lambda form: ["other"]
"""

OTHER_LIBRARIES = """
import sys, types
import mbsniff.compiled.build as build
build.compiler()
names = ("CPUCodeLibrary", "JITCodeLibrary", "JITCPUCodegen")[{missing}:]
sys.modules["numba.core.codegen"] = types.SimpleNamespace(**{{name: type(name, (), {{}}) for name in names}})
"""


@pytest.mark.parametrize(
    "other", [OTHER_CALLS, OTHER_LIBRARIES.format(missing=0), OTHER_LIBRARIES.format(missing=1)]
)
def test_compiler_of_another_convention(package: Package, other: str) -> None:
    """Where numba builds or calls its functions otherwise than expected, numba calls them, in each run anew."""
    for _ in range(2):
        assert package.run(other + RUN).startswith("12 12 ['total']")
