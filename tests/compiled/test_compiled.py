"""The compiler's traps, each on a small package of its own: stale or damaged caches, bounds, integers."""

import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mbsniff import compiled
from mbsniff.compiled import build, cache

SOURCES = Path(compiled.__file__).parent
PROJECT = SOURCES.parents[1]

LOOP = '''
from mbsniff.compiled import kernel
from mbsniff.other import step

@kernel
def total(values):
    """Sum of the steps of all values."""
    result = 0
    for k in range(len(values)):
        result += step(values, k)
    return result

@kernel
def at(values, k):
    """The value at k."""
    return values[k]
'''

OTHER = """
from mbsniff.compiled import helper, rare

FACTOR = 2

@helper
def step(values, k):
    return values[k] * FACTOR + rest(k)

@rare
def rest(k):
    return 0
"""

RUN = """
import numpy as np
from mbsniff.compiled import cache_folder, on_compiling
from mbsniff.loop import at, total
built = []
on_compiling(built.append)
values = np.arange(4)
print(total(values, compiled=True), total(values), built, cache_folder())
"""


class Package:
    """A copy of what compiles as a package of its own, run in processes of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "mbsniff"
        self.folder.mkdir()
        shutil.copytree(SOURCES, self.folder / SOURCES.name, ignore=shutil.ignore_patterns("__pycache__"))
        self.write("__init__", "")
        self.write("loop", LOOP)
        self.write("other", OTHER)
        self.home = folder / "home"
        self.home.mkdir()
        self.environment = {
            "PATH": os.environ["PATH"],
            "PYTHONPATH": str(folder),
            "PYTHONDONTWRITEBYTECODE": "1",
            "HOME": str(self.home),
            "TZ": "UTC",
        }

    def write(self, module: str, text: str) -> None:
        (self.folder / f"{module}.py").write_text(text)

    def run(self, code: str = RUN, **environment: str) -> str:
        """What a fresh process prints; whatever it has to complain of fails the test."""
        done = subprocess.run(
            [sys.executable, "-W", "error", "-c", code],
            env=self.environment | environment,
            cwd=self.folder.parent,
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout.strip()

    @property
    def beside(self) -> Path:
        """The folder beside the sources where the cache goes first."""
        return self.folder / "__pycache__"

    def cached(self, pattern: str) -> list[Path]:
        return sorted(self.beside.rglob(pattern))


@pytest.fixture
def package(tmp_path: Path) -> Package:
    return Package(tmp_path)


def test_change_of_a_helper_in_another_module(package: Package) -> None:
    """After any change of the sources the new answer is given; without one nothing is compiled again."""
    first = package.run()
    assert first.startswith("12 12 ['total']")
    assert package.run() == first.replace("['total']", "[]")
    package.write("other", OTHER.replace("FACTOR = 2", "FACTOR = 3"))
    second = package.run()
    assert second.startswith("18 18 ['total']")
    assert first.split()[-1] != second.split()[-1]
    package.write("other", OTHER.replace("return 0", "return 1"))
    assert package.run().startswith("16 16 ['total']")


def test_bounds(package: Package) -> None:
    """MBSNIFF_BOUNDS checks every index, in a cache of its own that leaves the other one as it is."""
    plain = package.run()
    beyond = """
import numpy as np
from mbsniff.loop import at
for index in (4, 1 << 40):
    try:
        print(at(np.arange(4), index, compiled=True))
    except IndexError:
        print("refused")
"""
    assert package.run(beyond, MBSNIFF_BOUNDS="1").split() == ["refused", "refused"]
    checked = package.run(MBSNIFF_BOUNDS="1")
    assert checked.startswith("12 12")
    assert checked.split()[-1] != plain.split()[-1]
    assert package.run() == plain.replace("['total']", "[]")
    assert package.run(beyond, MBSNIFF_BOUNDS="1").split() == ["refused", "refused"]


INTEGERS = """
from mbsniff.compiled import helper, kernel

@helper
def word(data, at):
    return (data[at] & 0xFF) << 8 | (data[at + 1] & 0xFF)

@kernel
def numbers(data, wide, narrow, found):
    found[0] = word(data, 0)
    found[1] = (data[0] & 0xFF) << 24 | (data[1] & 0xFF) << 16
    found[2] = ((wide[0] - wide[1] + 0x80000000) & 0xFFFFFFFF) - 0x80000000
    found[3] = wide[2] + (narrow[0] & 0xFFFFFFFF)
    found[4] = -((wide[0] + 7) // 8)
    found[5] = (0 - wide[0]) % 1000
    found[6] = (wide[2] >> 48) & 0xFFFF
    found[7] = 1 if narrow[0] & 0xFFFFFFFF > wide[0] else 0
    data[2] = (wide[2] >> 3) & 0xFF
    narrow[1] = wide[2] & 0xFFFFFFFF
    return (data[2] & 0xFF) + (narrow[1] & 0xFFFFFFFF)
"""

RUN_INTEGERS = """
import numpy as np
from mbsniff.integers import numbers
told = []
for compiled in (False, True):
    data = np.array([255, 254, 0], np.uint8)
    wide = np.array([5, 2**32 - 3, 2**62 + 12345678901], np.int64)
    narrow = np.array([2**32 - 1, 0], np.uint32)
    found = np.zeros(8, np.int64)
    result = numbers(data, wide, narrow, found, compiled=compiled)
    told.append((result, found.tolist(), data.tolist(), narrow.tolist()))
print(told[0] == told[1], told[0][1][:6])
"""


def test_integers(package: Package) -> None:
    """By the module's three rules compiled and plain integers agree: bytes, wrapping, 62-bit values."""
    package.write("integers", INTEGERS)
    expected = [0xFFFE, 0xFFFE0000, 8, 2**62 + 12345678901 + 2**32 - 1, -1, 995]
    assert package.run(RUN_INTEGERS) == f"True {expected}"


def test_installation_that_cannot_be_written(package: Package) -> None:
    """Where the sources' folder cannot be written the cache goes to the user's; the answer is the same."""
    package.beside.write_text("a file in the way")
    told = package.run(XDG_CACHE_HOME=str(package.home / "cache"))
    assert told.startswith("12 12 ['total']")
    assert told.split()[-1].startswith(str(package.home / "cache" / "mbsniff"))
    assert package.run(XDG_CACHE_HOME=str(package.home / "cache")) == told.replace("['total']", "[]")
    by_home = package.run()
    assert by_home.split()[-1].startswith(str(package.home / ".cache" / "mbsniff"))


def test_nowhere_to_write(package: Package) -> None:
    """Where nothing can be written it compiles for this run alone, every time, without a complaint."""
    package.beside.write_text("a file in the way")
    in_the_way = package.home / "file"
    in_the_way.write_text("")
    for _ in range(2):
        assert package.run(HOME=str(in_the_way)) == "12 12 ['total'] None"
    assert package.run(MBSNIFF_CACHE=str(in_the_way / "deeper")) == "12 12 ['total'] None"


def test_damaged_cache(package: Package) -> None:
    """A damaged file of the cache is built anew, and the run after that finds it whole."""
    told = package.run()
    (path,) = package.cached("*.loop")
    whole = path.read_bytes()
    for content in (b"", whole[:20], whole[: len(whole) // 2], b"\x80garbage", whole[:-1] + b"\x55"):
        path.write_bytes(content)
        assert package.run() == told
        assert path.read_bytes() == whole
    assert package.run() == told.replace("['total']", "[]")


def test_several_processes_at_once(package: Package) -> None:
    """Processes that start with an empty cache at the same time do not disturb each other."""
    with ThreadPoolExecutor(3) as pool:
        told = list(pool.map(lambda _: package.run(), range(3)))
    assert {each.split("[")[0] for each in told} == {"12 12 "}
    assert package.run().startswith("12 12 []")


@pytest.fixture
def folder_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder named as the only place for the cache."""
    monkeypatch.setenv("MBSNIFF_CACHE", str(tmp_path / "cache"))
    compiled.cache_folder.cache_clear()
    yield tmp_path / "cache"
    compiled.cache_folder.cache_clear()


def test_private_folder(folder_named: Path) -> None:
    """A fresh cache folder belongs to the user and nobody else may write in it."""
    folder = compiled.cache_folder()
    assert folder == folder_named / f"loops-{compiled.sources_digest()}"
    assert not stat.S_IMODE(folder.stat().st_mode) & 0o077
    assert not compiled.kernels_ready()
    (folder / "mbsniff.loop.total-1.loop").write_bytes(b"")
    assert compiled.kernels_ready()


@pytest.mark.parametrize("mode", [0o770, 0o720, 0o702, 0o777])
def test_folder_that_others_may_write(folder_named: Path, mode: int) -> None:
    """A folder in which group or others may write is refused: what lies in it is run."""
    folder = folder_named / f"loops-{compiled.sources_digest()}"
    folder.mkdir(parents=True)
    folder.chmod(mode)
    assert compiled.cache_folder() is None


def test_folder_of_somebody_else(folder_named: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that belongs to another user is refused."""
    (folder_named / f"loops-{compiled.sources_digest()}").mkdir(parents=True, mode=0o700)
    monkeypatch.setattr(cache.os, "getuid", lambda: os.geteuid() + 1)
    assert compiled.cache_folder() is None


def test_older_versions_are_forgotten(folder_named: Path) -> None:
    """Of the caches of older sources only the four most recent are kept."""
    for age in range(7):
        old = folder_named / f"loops-old{age}"
        old.mkdir(parents=True)
        os.utime(old, (1_000_000 - age, 1_000_000 - age))
    folder = compiled.cache_folder()
    assert folder is not None
    assert sorted(path.name for path in folder_named.iterdir() if path != folder) == [
        f"loops-old{k}" for k in range(4)
    ]


def test_uncompiled_loops_check_bounds() -> None:
    """As plain Python, a loop sees bounds-checked views and plain integers."""

    @compiled.kernel
    def read(values: memoryview, at: int) -> object:
        """The item at ``at``."""
        return values[at]

    assert type(read(np.array([7], np.uint8), 0)) is int
    with pytest.raises(IndexError):
        read(np.array([7], np.uint8), 1)


def test_what_importing_imports() -> None:
    """Importing the package imports no compiler, no data frames and no scapy; `--help` not even numpy."""
    code = """
import sys, {}
print(*sorted({{"numba", "numpy", "pandas", "scapy", "llvmlite", "tabulate"}} & set(sys.modules)))
"""
    for modules, allowed in (
        ("mbsniff, mbsniff.cli", set()),
        ("mbsniff.compiled, mbsniff.exchange, mbsniff.measure, mbsniff.diagnose", {"numpy"}),
    ):
        done = subprocess.run(
            [sys.executable, "-c", code.format(modules)], cwd=PROJECT, capture_output=True, text=True
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert set(done.stdout.split()) <= allowed


def test_the_compiler_comes_without_linear_algebra(tmp_path: Path) -> None:
    """Compiling imports no scipy, which would cost a third of a start; compiled linear algebra still works."""
    code = """
import sys
import numpy as np
from mbsniff.measure.quantiles import narrow
narrow(*(np.zeros(1, np.int64), np.zeros((0, 1), np.int64), *np.zeros((2, 1), np.int64)), compiled=True)
assert "numba" in sys.modules and "scipy.linalg" not in sys.modules
from numba import njit
print(njit(lambda a, b: np.convolve(a, b) @ a)(np.ones(1), np.ones(1)))
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True,
        env={**os.environ, "MBSNIFF_CACHE": str(tmp_path)},
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "1.0\n"), done.stderr


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


@compiled.helper
def _times(value: int, factor: int) -> int:
    return value * factor


def _both(value: int) -> int:
    return _times(value, 2) + _times(value, 3) + _times(value, value)


def test_constants_make_no_copies() -> None:
    """A helper is compiled once, whatever constants it is called with."""
    made: dict[object, Any] = {}
    numba = build.compiler()
    assert numba.njit("int64(int64)")(build.rebound(_both, made))(4) == 36
    (dispatcher,) = made.values()
    assert len(dispatcher.signatures) == 1


def test_what_help_imports() -> None:
    """`mbsniff --help` imports no numpy, and the help of a command no compiler."""
    for arguments, forbidden in (
        (["--help"], {"numpy", "numba"}),
        (["diagnose", "--help"], {"numba", "scapy"}),
    ):
        command = [sys.executable, "-X", "importtime", "-m", "mbsniff", *arguments]
        done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True)
        assert done.returncode == 0
        assert "mbsniff" in done.stdout
        imported = {line.split("|")[-1].strip() for line in done.stderr.splitlines()}
        assert "click" in imported
        assert not imported & forbidden


# What only special input, other commands or other formats need: none of it may delay an ordinary diagnosis.
SPECIAL = {
    "a compiler, where there is nothing to compile": {"numba", "llvmlite", "scipy"},
    "data frames, packets, plots": {"pandas", "scapy", "matplotlib"},
    "other packings and recorders": {"zstandard", "mbsniff.capture.pcapng", "mbsniff.capture.pcapng_walk"},
    "several files": {"mbsniff.capture.alignment", "mbsniff.capture.series", "mbsniff.capture.fingerprints"},
    "random numbers": {"numpy.random", "secrets"},
    "a site file": {
        "tomllib",
        "decimal",
        "difflib",
        "mbsniff.site.load",
        "mbsniff.site.keys",
        "mbsniff.site.kinds",
    },
    "a due watchdog": {"mbsniff.diagnose.recovery.find", "mbsniff.diagnose.registers.readings"},
    "a second look": {"mbsniff.wire.segment"},
    "a search for ports": {"mbsniff.wire.ports", "mbsniff.wire.signature"},
    "values of all kinds": {"mbsniff.wire.value_types", "mbsniff.wire.request_values"},
    "other commands": {
        f"mbsniff.{name}" for name in ("audit", "compare", "draft", "plan", "story", "writes")
    },
    "time zones, networks, processes": {
        "zoneinfo",
        "http",
        "ssl",
        "subprocess",
        "multiprocessing",
        "asyncio",
    },
}
OF_TABLES = {"tabulate", "wcwidth", "html", "mbsniff.report.table", "mbsniff.report.sheets"}
OF_SITES = SPECIAL["a site file"]
OF_RECOVERIES = SPECIAL["a due watchdog"] | SPECIAL["a second look"] | SPECIAL["values of all kinds"]


@pytest.mark.parametrize(
    ("arguments", "needed"),
    [
        (["samples/healthy-shift.pcap", "--format", "json"], set()),
        (["samples/healthy-shift.pcap"], OF_TABLES),
        (["samples/healthy-shift.pcap", "--site", "samples/oven.toml", "--format", "json"], OF_SITES),
        (["samples/link-down.pcap", "--site", "samples/oven.toml"], OF_SITES | OF_TABLES | OF_RECOVERIES),
    ],
    ids=["json", "table", "site", "due"],
)
def test_what_a_diagnosis_imports(arguments: list[str], needed: set[str]) -> None:
    """Diagnosing a plain capture imports nothing that only other input, commands or formats need."""
    command = [sys.executable, "-X", "importtime", "-m", "mbsniff", "diagnose", *arguments]
    done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr
    imported = {line.split("|")[-1].strip() for line in done.stderr.splitlines()}
    assert {
        "mbsniff.diagnose.diagnosis",
        "mbsniff.report.as_json" if "json" in arguments else "tabulate",
    } <= imported
    assert imported & (set().union(*SPECIAL.values(), OF_TABLES) - needed) == set()
