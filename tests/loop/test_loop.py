"""Record, audit, plan, run, record, compare: what the plan promises, real masters and devices keep."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

SAMPLES = Path(__file__).parents[2] / "samples"
BEFORE = SAMPLES / "recipe-terminal.pcapng.gz"
SITE = ("--site", str(SAMPLES / "oven.toml"))


def mbsniff(*arguments: str) -> tuple[int, str]:
    """Exit status and output of a command."""
    done = subprocess.run(
        [sys.executable, "-m", "mbsniff", *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert not done.stderr, done.stderr
    return done.returncode, done.stdout


def not_met(recording: Path) -> tuple[int, set[str]]:
    """The audit's exit status, and the codes of the requirements that the recording does not meet."""
    status, text = mbsniff("audit", str(recording), *SITE, "--format", "json")
    rows = json.loads(text)["results"]
    return status, {row["code"] for row in rows if row["verdict"] == "not met"}


@pytest.fixture(scope="module")
def poll_list(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan that the recording with the recipe terminal leads to."""
    status, text = mbsniff("plan", str(BEFORE), *SITE, "--format", "toml")
    assert status == 0
    path = tmp_path_factory.mktemp("plan") / "polls.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def after(poll_list: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A recording of real pymodbus masters that ask the real devices what the plan says."""
    sys.path.insert(0, str(SAMPLES))
    try:
        make: Any = pytest.importorskip("make")
        if problem := make.lacking():
            pytest.skip(problem)
        from plant.run import record
        from plant.scenarios import PLANNED

        yield record(PLANNED, tmp_path_factory.mktemp("after"), print, poll_list)
    finally:
        sys.path.remove(str(SAMPLES))


def test_audit_of_the_first_recording() -> None:
    """Too many reads a second and a master that the site does not list, and nothing else."""
    assert not_met(BEFORE) == (1, {"reads-per-second", "masters"})


def test_audit_of_the_plan_as_it_ran(after: Path) -> None:
    """Every requirement is met, or cannot be told; none is not met."""
    assert not_met(after) == (0, set())


def test_comparison_of_both(after: Path) -> None:
    """Reads a second went down for every zone, the findings are gone, and nothing got worse."""
    status, text = mbsniff("compare", str(BEFORE), str(after), *SITE, "--format", "json")
    comparison = json.loads(text)
    assert status == 0
    outcomes = [
        figure["outcome"]
        for device in comparison["devices"]
        for figure in device["figures"]
        if figure["figure"] == "reads_per_s"
    ]
    assert outcomes == ["lower"] * 6
    changes = {(finding["code"], finding["change"]) for finding in comparison["findings"]}
    assert ("masters-sum-over", "gone") in changes
    assert {change for _, change in changes} == {"gone"}
