"""Twenty thousand mutated cases, and that the fuzz command notices, replays and shrinks what goes wrong."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.fuzz import beside, checks, damage, framing, headers, messages, runs, tunnels
from tests.fuzz.bases import frames_of
from tests.fuzz.cases import Case, case_of
from tests.fuzz.checks import DEPTHS, Checker, Trouble
from tests.fuzz.runs import LIMIT_BYTES, Plan, Tally, run
from tests.fuzz.shrink import Shrinker, fewer
from tests.fuzz.summary import failures, figures, summary

SEED, CASES, JOBS = 20_261_125, 20_000, 2
LAYERS = {
    "tunnels": tunnels.TUNNELS, "beside": beside.BESIDE, "link": headers.LINK, "IP": headers.IP, "TCP": headers.TCP,
    "segments": messages.SEGMENTS, "MBAP": messages.MBAP, "framing": framing.FRAMING, "PDU": messages.PDU,
    "times": messages.TIMES, "order": messages.ORDER, "pcap": damage.PARTS, "pcapng": damage.PARTS,
    "file": damage.BYTES, "compressed": damage.BYTES,
}  # fmt: skip


@pytest.fixture(scope="module")
def tally() -> Tally:
    """All cases, on two cores."""
    return run(Plan(SEED, CASES, JOBS))


@pytest.fixture
def checker(tmp_path: Path) -> Checker:
    """A checker that is ready."""
    checker = Checker(tmp_path, LIMIT_BYTES)
    runs.warm(checker)
    return checker


def test_mutated_cases(tally: Tally) -> None:
    """Compiled and uncompiled loops agree on every case; nothing but the project's errors; no hang, no memory."""
    assert tally.cases == CASES
    assert failures(tally, SEED) == f"{CASES:,} cases, no failure"


def test_cases_are_not_turned_away_at_the_door(tally: Tally) -> None:
    """Most cases reach transactions, few are refused, and every mutation was tried and got past the door."""
    deep = tally.depths[DEPTHS.index("transactions")] + tally.depths[DEPTHS.index("answered")]
    assert deep > CASES * 0.6
    assert tally.depths[DEPTHS.index("refused")] < CASES * 0.1
    tried = {what for what, _ in tally.reached}
    assert {f"{layer}: {what}" for layer, table in LAYERS.items() for what in table} <= tried
    reached = {what for what, depth in tally.reached if DEPTHS[depth] in ("answered", "site read")}
    assert {f"{layer}: {what}" for layer, table in LAYERS.items() for what in table} <= reached
    assert "site file: value" in reached and "register list: words" in reached


def test_the_summary_tells_all_layers(tally: Tally) -> None:
    """The table has a row for each layer and fits 160 columns."""
    text = summary(tally)
    assert all(f"\n{layer} " in text for layer in LAYERS)
    assert max(map(len, text.splitlines())) <= 160


def test_cases_come_again() -> None:
    """A seed and a number always make the same case, whatever was made before."""
    first = [case_of(5, number) for number in range(60)]
    assert [case_of(5, number) for number in reversed(range(60))] == first[::-1]
    assert case_of(6, 1) != case_of(5, 1)


def test_cases_come_again_elsewhere() -> None:
    """Another process, later, makes the same ones: nothing in them depends on the time or on chance."""
    make = (
        "import hashlib; from tests.fuzz import beside; from tests.fuzz.cases import case_of;"
        "made = [case_of(5, n) for n in range(300)], sorted(beside._built().items());"
        "print(hashlib.sha256(repr(made).encode()).hexdigest())"
    )
    made = [case_of(5, n) for n in range(300)], sorted(beside._built().items())
    apart = subprocess.run([sys.executable, "-c", make], capture_output=True, text=True, check=True)
    assert apart.stdout.split() == [hashlib.sha256(repr(made).encode()).hexdigest()]


def test_one_line_tells_what_a_run_came_to(tally: Tally) -> None:
    """Cases, failures, disagreements, the slowest case, memory and the rate, of all workers together."""
    told = figures(tally, 100.0, JOBS)
    assert told.startswith(f"{CASES:,} cases in 100 s by {JOBS} processes: {CASES // 100} a second, ")
    assert "0 failed, of them 0 disagreements; slowest case " in told
    seconds, number = tally.slowest
    assert 0 < seconds < checks.HANG_S and 0 <= number < CASES
    peak, rise = tally.memory_bytes
    assert 0 <= rise < LIMIT_BYTES < peak
    assert tally.processor_s > 0


def test_disagreement_is_noticed(checker: Checker, monkeypatch: pytest.MonkeyPatch) -> None:
    """A compiled reading that differs in one value, or an error of another kind, is trouble."""
    case = next(c for c in (case_of(1, n) for n in range(100)) if checker.check(c) == (6, None))
    right = checks.read_exchange

    def wrong(recording: Any, *, compiled: bool, ports: Any) -> Any:
        exchange, facts = right(recording, compiled=compiled, ports=ports)
        exchange.request_ns[-1] += compiled
        return exchange, facts

    monkeypatch.setattr(checks, "read_exchange", wrong)
    assert _kind(checker.check(case)[1]) == "Exchange.request_ns differs"
    monkeypatch.setattr(checks, "read_exchange", lambda *a, **k: [][1])
    assert _kind(checker.check(case)[1]) == "raised IndexError in no code of the project"


def test_hangs_are_noticed(checker: Checker, monkeypatch: pytest.MonkeyPatch) -> None:
    """A case that takes too long is stopped."""
    monkeypatch.setattr(checks, "HANG_S", 0.2)
    monkeypatch.setattr(checks, "read_exchange", lambda *a, **k: time.sleep(30))
    begun = time.monotonic()
    assert _kind(checker.check(case_of(1, 0))[1]) == "hang"
    assert time.monotonic() - begun < 5


def test_memory_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A case that takes more memory than is allowed is told, and only that one."""
    right = Checker.check

    def greedy(self: Checker, case: Case, *more: Any) -> Any:
        if case.name == "3 70":
            bytearray(b"x") * (1 << 28)
        return right(self, case, *more)

    monkeypatch.setattr(Checker, "check", greedy)
    tally = run(Plan(3, 100))
    assert {number: trouble.kind for number, trouble in tally.failures.items()} == {70: "memory"}


def test_a_worker_that_dies_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    """A crash is told with the number of its case, and the others are run all the same."""
    right = Checker.check

    def crash(self: Checker, case: Case, *more: Any) -> Any:
        if case.name == "3 70":
            os.kill(os.getpid(), signal.SIGKILL)
        return right(self, case, *more)

    monkeypatch.setattr(Checker, "check", crash)
    tally = run(Plan(3, 200, JOBS))
    assert (tally.cases, list(tally.failures)) == (200, [70])
    assert tally.failures[70].kind == "crash"
    assert "python -m tests.fuzz replay 3 70" in failures(tally, 3)


def test_failing_cases_shrink(checker: Checker, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left of a failing case is the one frame, and of that the bytes, that it takes to fail."""
    right = checks.read_exchange

    def wrong(recording: Any, *, compiled: bool, ports: Any) -> Any:
        exchange, facts = right(recording, compiled=compiled, ports=ports)
        assert not (exchange.status & 15 == 6).any(), "planted"  # a request without a reply
        return exchange, facts

    monkeypatch.setattr(checks, "read_exchange", wrong)
    for number in range(200):
        case = case_of(2, number)
        trouble = checker.check(case)[1]
        if trouble and not case.is_site and len(case.files[0]) > 1000:
            break
    assert trouble is not None and "AssertionError" in trouble.kind
    smaller = Shrinker(checker, case, trouble.kind).shrunk()
    assert _kind(checker.check(smaller)[1]) == trouble.kind
    assert sum(map(len, smaller.files)) < 400
    assert len(frames_of(smaller.files[0])) <= 3


def test_fewer() -> None:
    """Only the items that it takes are left, in their order."""
    assert fewer(range(100), lambda kept: {3, 50, 51} <= set(kept)) == [3, 50, 51]
    assert fewer([1, 2], lambda kept: True) == []


def _kind(trouble: Trouble | None) -> str | None:
    return trouble.kind if trouble else None
