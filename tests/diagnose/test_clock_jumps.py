"""Where the recorder's clock jumps ahead, the hosts' own time stamps show that no silence was there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from mbsniff.site import load_site
from tests.builders.readings import read
from tests.builders.recorder import Record, pcap
from tests.same_answer.frames import SAMPLES, records_of

SITE = load_site(str(SAMPLES / "oven-fed-by-plc.toml"))
HEALTHY = SAMPLES / "causes" / "healthy-jitter.pcap.gz"
JUMP_NS = 30 * 10**9


def diagnosed(folder: Path, records: list[Record], *, again: bool = True) -> dict[str, Any]:
    """The JSON of these frames."""
    path = folder / "made.pcap"
    path.write_bytes(pcap(records))
    return read(path, SITE, again=again).json


def jumped(records: tuple[Record, ...]) -> list[Record]:
    """From the middle on, all times are half a minute later."""
    half = len(records) // 2
    return [(t + JUMP_NS * (number >= half), data, size) for number, (t, data, size) in enumerate(records)]


def test_a_jump_is_no_silence(tmp_path: Path) -> None:
    """Real traffic, whose hosts stamp their segments: the jump is told, with its length, and no watchdog is due."""
    made = diagnosed(tmp_path, jumped(records_of(HEALTHY)))
    [jump] = made["recording"]["clock_jumps"]
    assert jump["by_s"] == pytest.approx(30, abs=0.1)
    assert any("clock jumps ahead by 30 s" in doubt for doubt in made["recording"]["doubts"])
    assert "watchdog-due" not in {f["code"] for f in made["findings"]}
    assert {d["state"] for d in made["devices"]} <= {"open", "risk"}


def test_without_a_second_look_it_stays_open(tmp_path: Path) -> None:
    """From a pipe: a silence that may be the recorder's own."""
    made = diagnosed(tmp_path, jumped(records_of(HEALTHY)), again=False)
    assert made["recording"]["clock_jumps"] == []
    due = [f for f in made["findings"] if f["code"] == "watchdog-due"]
    assert due and {f["certainty"] for f in due} == {"open"}


def test_a_recorder_that_stopped_is_no_jump() -> None:
    """Real time went by: the hosts' time stamps say so as well."""
    made = read(SAMPLES / "causes" / "recorder-stopped.pcap.gz", SITE, again=True).json
    assert made["recording"]["clock_jumps"] == []
    assert {f["certainty"] for f in made["findings"] if f["code"] == "watchdog-due"} == {"open"}


def test_a_jump_within_a_real_outage_leaves_it(tmp_path: Path) -> None:
    """The device's link was down for seconds before the clock jumped: what is left is still too long."""
    records = records_of(SAMPLES / "causes" / "device-link-down.pcap.gz")
    made = diagnosed(tmp_path, jumped(records))
    assert "watchdog-due" in {f["code"] for f in made["findings"]}
