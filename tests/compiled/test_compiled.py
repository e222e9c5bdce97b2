"""The compiler's traps, each on a small package of its own: stale or damaged caches, bounds, integers."""

import os
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mbsniff import compiled
from mbsniff.compiled import build, cache
from tests.compiled.package import OTHER, Package


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
