"""Commands → how long they took, on given cores, alone or in interleaved pairs."""

from __future__ import annotations

import os
import shlex
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from tests.benchmarks.memory import Watcher

SOURCE = Path(__file__).with_name("stepping.c")


class RunError(Exception):
    """A command that could not be run, or ended with an error."""


@dataclass(frozen=True)
class Run:
    """What one run took; memory is 0 where it was not watched (watching costs time)."""

    wall_s: float
    processor_s: float
    pss_bytes: int
    """Peak of the proportional set size, summed over all processes."""
    resident_bytes: int
    """Peak of the largest process's resident set size."""
    output: bytes
    last_words: str
    """The last line on standard error."""


@contextmanager
def pinned(cores: Sequence[int]) -> Iterator[None]:
    """Have processes started inside run on these cores only, where the system can do that."""
    if not cores or not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def run(
    command: Sequence[str],
    cores: Sequence[int] = (),
    variables: Mapping[str, str] | None = None,
    watch_memory: bool = False,
    good: Sequence[int] = (0,),
    limit_s: float = 600,
) -> Run:
    """Run a command to its end; raises RunError unless it ends in time, with an exit status in ``good``."""
    with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
        started = time.perf_counter()
        with pinned(cores):
            process = _start(command, output.fileno(), errors.fileno(), variables)
        watcher = Watcher(process.pid) if watch_memory else None
        limit = threading.Timer(limit_s, process.kill)
        limit.start()
        try:
            _, status, usage = os.wait4(process.pid, 0)
        except BaseException:  # interrupted: leave nothing running
            process.kill()
            process.wait()
            raise
        finally:
            limit.cancel()
        wall_s = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        if watcher:
            watcher.stop()
        if wall_s >= limit_s:
            raise RunError(f"{shlex.join(command)}: not done after {limit_s:g} s")
        output.seek(0)
        errors.seek(0)
        last_words = "".join(errors.read().decode(errors="replace").strip().splitlines()[-1:])
        if process.returncode not in good:
            raise RunError(f"{shlex.join(command)}: exit status {process.returncode}: {last_words}")
        processor_s = usage.ru_utime + usage.ru_stime
        memory = (watcher.pss_bytes, watcher.resident_bytes) if watcher else (0, 0)
        return Run(wall_s, processor_s, *memory, output.read(), last_words)


def _start(
    command: Sequence[str], output: int, errors: int, variables: Mapping[str, str] | None
) -> subprocess.Popen[bytes]:
    environment = {**os.environ, **(variables or {})}
    try:
        return subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=output, stderr=errors, env=environment
        )
    except OSError as error:
        raise RunError(f"{shlex.join(command)}: {error.strerror}") from error


def interleaved(rounds: int, *programs: Callable[[], Run]) -> list[list[Run]]:
    """Run each program once a round, the order reversed every other round; one list of runs a program."""
    runs: list[list[Run]] = [[] for _ in programs]
    numbered = list(zip(runs, programs, strict=True))
    for number in range(rounds):
        for kept, program in numbered if number % 2 == 0 else reversed(numbered):
            kept.append(program())
    return runs


def median_s(runs: Sequence[Run]) -> float:
    """Median of the wall times."""
    return median(r.wall_s for r in runs)


def compile_stepping(folder: Path) -> Path:
    """The yardstick's program, compiled into the folder; raises RunError without compiler or library."""
    program = folder / "stepping"
    run([os.environ.get("CC", "cc"), "-O2", "-o", str(program), str(SOURCE), "-lpcap"])
    return program


def warm(path: Path) -> None:
    """Read a file once, so that it is in the page cache."""
    with path.open("rb") as file:
        while file.read(1 << 24):
            pass
