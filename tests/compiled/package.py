"""A folder in, a package of its own with two loops out, which processes of their own import."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from mbsniff import compiled

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
