"""Runs the command line in a process of its own, as a user does."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Run:
    """What a run printed and how it ended."""

    status: int
    out: str
    err: str


def mbsniff(*arguments: str, stdin: bytes | None = None, cwd: Path = ROOT, **environment: str) -> Run:
    """Run ``python -m mbsniff`` with these arguments."""
    done = subprocess.run(
        [sys.executable, "-m", "mbsniff", *arguments],
        input=stdin,
        stdin=subprocess.DEVNULL if stdin is None else None,
        capture_output=True,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        timeout=120,
        check=False,
    )
    return Run(done.returncode, done.stdout.decode(), done.stderr.decode())
