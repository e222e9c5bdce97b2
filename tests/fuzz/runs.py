"""How many cases, on how many cores in, what they reached and what went wrong out: worker processes, watched."""

from __future__ import annotations

import gc
import multiprocessing as mp
import os
import resource
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from tests.fuzz.bases import samples
from tests.fuzz.cases import case_of
from tests.fuzz.checks import HANG_S, Checker, Reports, Trouble, hearing_alarms

LIMIT_BYTES = 64 << 20
"""How much a worker's peak may rise above what reading some cases took: generous for captures of some KiB."""
JSON_EVERY, ALL_EVERY = 20, 200
_ADDRESSES_BYTES = 2 << 30  # a worker that asks for more address space than this on top gets a MemoryError
_CHUNK = 50
_WARM = 40
_HUNG_S = 3 * HANG_S  # compiled code hears no alarm: then the parent ends the worker
_IN_MEMORY = "/dev/shm"  # Linux: replacing a file on a disk waits for the disk, each time
_context = mp.get_context("fork")  # workers share the loops that were compiled before


@dataclass(frozen=True)
class Plan:
    """What is to be run."""

    seed: int
    cases: int
    jobs: int = 1
    limit_bytes: int = LIMIT_BYTES
    until: float | None = None
    """`time.monotonic` at which no further cases are begun."""
    first: int = 0


@dataclass
class Tally:
    """What was reached: cases by depth, for each thing that was mutated; and failures by number."""

    cases: int = 0
    depths: Counter[int] = field(default_factory=Counter)
    reached: Counter[tuple[str, int]] = field(default_factory=Counter)
    failures: dict[int, Trouble] = field(default_factory=dict)
    slowest: tuple[float, int] = (0.0, -1)
    """Seconds and number of the case that took longest, as the clock on the wall has it."""
    processor_s: float = 0.0
    """Processor time of the cases, made and checked."""
    memory_bytes: tuple[int, int] = (0, 0)
    """The highest peak of a worker, and how far one rose above its mark at most."""

    def note(self, number: int, told: list[str], depth: int, trouble: Trouble | None) -> None:
        """Take in one case."""
        self.cases += 1
        self.depths[depth] += 1
        self.reached.update((what, depth) for what in set(told) or {"nothing"})
        if trouble:
            self.failures[number] = trouble

    def add(self, other: Tally) -> None:
        """Take in what another one holds."""
        self.cases += other.cases
        self.depths += other.depths
        self.reached += other.reached
        self.failures |= other.failures
        self.slowest = max(self.slowest, other.slowest)
        self.processor_s += other.processor_s
        peak, rise = zip(self.memory_bytes, other.memory_bytes, strict=True)
        self.memory_bytes = max(peak), max(rise)


def reports_of(number: int) -> Reports:
    """How much is made of the case with this number, beside the reading."""
    if number % ALL_EVERY == 0:
        return Reports.ALL
    return Reports.JSON if number % JSON_EVERY == 0 else Reports.NONE


def warm(checker: Checker) -> None:
    """Have a checker load, or compile, all that it needs."""
    checker.warm_up([case_of(0, number) for number in range(_WARM)])


def run(plan: Plan, progress: Callable[[Tally], None] = lambda tally: None) -> Tally:
    """Run the cases; ``progress`` is told how far it is about once a second."""
    samples()
    with _folder() as folder:
        warm(Checker(Path(folder), plan.limit_bytes))  # compiles once, before the workers begin
    return _Crew(plan).run(progress)


class _Crew:
    """The worker processes, and what each is at."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.tally = Tally()
        self.following = _context.Value("q", plan.first)
        self.at = _context.Array("q", [-1] * plan.jobs, lock=False)
        self.begin = _context.Array("q", plan.jobs, lock=False)
        self.end = _context.Array("q", plan.jobs, lock=False)
        self.since = _context.Array("d", plan.jobs, lock=False)
        self.workers: dict[int, tuple[Any, Connection]] = {}
        self.fatal: set[int] = set()

    def run(self, progress: Callable[[Tally], None]) -> Tally:
        for slot in range(self.plan.jobs):
            self._start(slot, 0, 0)
        told = time.monotonic()
        try:
            while self.workers:
                self._hear()
                self._watch()
                if time.monotonic() - told >= 1:
                    told = time.monotonic()
                    progress(self.tally)
        finally:
            for process, _ in self.workers.values():
                process.kill()
        return self.tally

    def _start(self, slot: int, begin: int, end: int) -> None:
        """A worker, which first runs the cases from ``begin`` to ``end`` that one who died did not tell about."""
        ours, theirs = _context.Pipe(duplex=False)
        self.at[slot], self.begin[slot], self.end[slot] = -1, begin, end
        process = _context.Process(target=_work, args=(self, slot, begin, end, theirs), daemon=True)
        process.start()
        theirs.close()
        self.workers[slot] = process, ours

    def _hear(self) -> None:
        ready = wait([connection for _, connection in self.workers.values()], timeout=0.5)
        for slot, (process, connection) in list(self.workers.items()):
            if connection not in ready:
                continue
            try:
                told = connection.recv()
            except (EOFError, OSError):
                process.join()
                self._died(slot, Trouble("crash", f"the process ended with {process.exitcode}"))
                continue
            if told is None:
                process.join()
                del self.workers[slot]
            else:
                self.tally.add(told)

    def _watch(self) -> None:
        for slot, (process, _) in list(self.workers.items()):
            if self.at[slot] >= 0 and time.monotonic() - self.since[slot] > _HUNG_S:
                process.kill()
                process.join()
                self._died(slot, Trouble("hang", f"longer than {_HUNG_S} s in compiled code"))

    def _died(self, slot: int, trouble: Trouble) -> None:
        number = self.at[slot]
        self.workers.pop(slot)[1].close()
        if number < 0:
            raise RuntimeError(f"a worker died before its first case: {trouble.detail}")
        self.tally.note(number, case_of(self.plan.seed, number).told, 0, trouble)
        self.fatal.add(number)
        self._start(slot, self.begin[slot], self.end[slot])


def _work(crew: _Crew, slot: int, begin: int, end: int, connection: Connection) -> None:
    """A worker's life: chunk after chunk of cases, each chunk's tally sent when it is done."""
    plan = crew.plan
    with _folder() as folder, hearing_alarms():
        checker = Checker(Path(folder), plan.limit_bytes)
        warm(checker)
        _bound_addresses()
        gc.collect()
        gc.freeze()  # what was imported stays: going through it again and again costs a twentieth
        while True:
            tally, used_s = Tally(), time.process_time()
            for number in sorted({*range(begin, end)} - crew.fatal):
                crew.at[slot], crew.since[slot] = number, time.monotonic()
                case = case_of(plan.seed, number)
                tally.note(number, case.told, *checker.check(case, reports_of(number)))
                tally.slowest = max(tally.slowest, (time.monotonic() - crew.since[slot], number))
            if tally.cases:
                tally.processor_s = time.process_time() - used_s
                tally.memory_bytes = checker.memory_bytes
                connection.send(tally)
            crew.at[slot] = -1
            with crew.following.get_lock():
                begin = crew.following.value
                end = crew.following.value = min(begin + _CHUNK, plan.first + plan.cases)
            crew.begin[slot], crew.end[slot] = begin, end
            if begin >= end or (plan.until is not None and time.monotonic() > plan.until):
                break
    connection.send(None)


def _folder() -> tempfile.TemporaryDirectory[str]:
    """A folder for the few files that cases need."""
    return tempfile.TemporaryDirectory(dir=_IN_MEMORY if os.access(_IN_MEMORY, os.W_OK) else None)


def _bound_addresses() -> None:
    statm = Path("/proc/self/statm")
    if statm.exists():
        pages = int(statm.read_text("ascii").split()[0])
        most = pages * resource.getpagesize() + _ADDRESSES_BYTES
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
