"""What starts import, and what they do not."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.compiled.package import PROJECT


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
