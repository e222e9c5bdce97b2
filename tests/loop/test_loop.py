"""Record, audit, plan, run, record, compare: what the plan promises, real masters and devices keep."""

import json
import os
import socket
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import dpkt
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


ZONES = 6
READ, MBAP_AND_READ = 3, 12  # bytes: MBAP header 7, function 1, first 2, quantity 2
WATCHDOG_CODES = ("watchdog-fed", "watchdog-kept", "never-tripped")


def audit(recording: Path) -> tuple[int, Counter[tuple[str, str]]]:
    """The audit's exit status, and how many rows have each code and verdict."""
    status, text = mbsniff("audit", str(recording), *SITE, "--format", "json")
    return status, Counter((row["code"], row["verdict"]) for row in json.loads(text)["results"])


def not_met(rows: Counter[tuple[str, str]]) -> dict[str, int]:
    """How many devices do not meet each requirement that is not met."""
    return {code: count for (code, verdict), count in rows.items() if verdict == "not met"}


def reads(recording: Path) -> tuple[float, Counter[tuple[str, ...]]]:
    """Length in seconds and reads by (master, device, unit, first, count): by dpkt, without mbsniff."""
    with recording.open("rb") as stream:
        frames = list(dpkt.pcap.Reader(stream))
    seen = set()  # with port and sequence number, so that what TCP sent again counts once
    for _, frame in frames:
        ip = dpkt.ethernet.Ethernet(frame).data
        tcp = ip.data if isinstance(ip, dpkt.ip.IP) and isinstance(ip.data, dpkt.tcp.TCP) else None
        if tcp and tcp.dport == 502 and len(tcp.data) == MBAP_AND_READ and tcp.data[7] == READ:
            words = (tcp.data[6], *(int.from_bytes(tcp.data[at : at + 2], "big") for at in (8, 10)))
            ends = (socket.inet_ntoa(ip.src), socket.inet_ntoa(ip.dst))
            seen.add((tcp.sport, tcp.seq, *ends, *map(str, words)))
    return float(frames[-1][0] - frames[0][0]), Counter(row[2:] for row in seen)


def no_namespaces() -> str | None:
    """Why this machine lets nobody make network namespaces; None where it does."""
    name = f"loop-{os.getpid()}"
    made = subprocess.run(["ip", "netns", "add", name], capture_output=True, text=True, check=False)
    if made.returncode:
        return f"no network namespaces here: {made.stderr.strip()}"
    subprocess.run(["ip", "netns", "delete", name], check=True)
    return None


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
        if problem := make.lacking() or no_namespaces():
            pytest.skip(problem)
        from plant.acts import HostFailed
        from plant.run import record
        from plant.scenarios import PLANNED

        folder = tmp_path_factory.mktemp("after")
        try:
            path = record(PLANNED, folder, print, poll_list)
        except HostFailed:  # the machine stood still, which plants what is not in the plan: once more
            path = record(PLANNED, folder, print, poll_list)
        yield path
    finally:
        sys.path.remove(str(SAMPLES))


def test_audit_of_the_first_recording() -> None:
    """Too many reads a second and a master that the site does not list, on every zone, and nothing else."""
    status, rows = audit(BEFORE)
    assert (status, not_met(rows)) == (1, {"reads-per-second": ZONES, "masters": ZONES})


def test_the_masters_asked_what_the_plan_says(poll_list: Path, after: Path) -> None:
    """Each poll of the list went out at its period, and no other read did."""
    span_s, counts = reads(after)
    keys = ("master", "address", "unit_id", "first", "count")
    polls = tomllib.loads(poll_list.read_text(encoding="utf-8"))["poll"]
    due = {tuple(str(poll[key]) for key in keys): span_s / poll["period_s"] for poll in polls}
    assert set(counts) == set(due)
    assert {key: counts[key] for key in due if abs(counts[key] - due[key]) > 2} == {}


def test_audit_of_the_plan_as_it_ran(after: Path) -> None:
    """What failed is met on every zone, the watchdogs were fed, and no requirement is not met."""
    status, rows = audit(after)
    assert (status, not_met(rows)) == (0, {})
    for code in ("reads-per-second", "masters", *WATCHDOG_CODES):
        assert rows[code, "met"] == ZONES, code


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
