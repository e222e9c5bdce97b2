"""The recordings under samples/causes: each holds the evidence that decides, as dpkt reads it."""

from __future__ import annotations

import tomllib
from itertools import pairwise

import pytest

from tests.lab.evidence import EVIDENCE
from tests.lab.frames import SAMPLES, Frame, frames
from tests.lab.window import Window, requests

PLANTED = tomllib.loads((SAMPLES / "causes.toml").read_text("utf-8"))
RECORDINGS = {recording["name"]: recording for recording in PLANTED["recording"]}
SITE = tomllib.loads((SAMPLES / PLANTED["site"]).read_text("utf-8"))
LONGEST_BYTES = 60_000
RESTARTED = {"port-closed", "device-restarted"}  # a zone that starts anew knows of no trip


def window(name: str) -> Window:
    """The frames of a recording around what was planted in it."""
    planted = RECORDINGS[name]
    return Window(frames(planted["file"]), planted["from_s"], planted["until_s"])


def test_every_recording_has_its_evidence_named() -> None:
    """The list of what was planted, the files and the checks are about the same recordings."""
    files = {path.name.removesuffix(".pcap.gz") for path in (SAMPLES / "causes").iterdir()}
    assert set(RECORDINGS) == set(EVIDENCE) == files
    page = (SAMPLES / "README.md").read_text("utf-8")
    assert [name for name in RECORDINGS if f"(causes/{name}.pcap.gz)" not in page] == []


@pytest.mark.parametrize("name", RECORDINGS)
def test_the_deciding_evidence_is_there(name: str) -> None:
    """What tells this cause from its neighbours is on the wire, in the frames themselves."""
    EVIDENCE[name](window(name))


@pytest.mark.parametrize("name", RECORDINGS)
def test_no_other_evidence_is_there(name: str) -> None:
    """Nothing that decides for another cause is found in this recording."""
    own = {name, "master-stopped"} if name == "master-idle" else {name}  # idle is stopped with probes besides
    assert [other for other in EVIDENCE if other not in own and _shows(name, other)] == []


def _shows(name: str, other: str) -> bool:
    try:
        EVIDENCE[other](window(name))
    except (AssertionError, LookupError, StopIteration, ValueError):
        return False
    return True


@pytest.mark.parametrize("name", RECORDINGS)
def test_it_begins_and_ends_in_health(name: str) -> None:
    """At least four cycles before what was planted, and three after, are answered."""
    planted, rows = RECORDINGS[name], window(name)
    keys = [device.replace(" ", "") if "zone" in device else "gateway" for device in planted["devices"]]
    for key in keys:
        assert len(requests(rows.before, to=key)) >= 4 and len(requests(rows.after, to=key)) >= 3
        last = [f for f in rows.rows if f.by == key and f.data]
        assert last[-1].at_s > rows.rows[-1].at_s - 1.5


@pytest.mark.parametrize("name", [name for name in RECORDINGS if name != "recorder-stopped"])
def test_the_recorder_was_alive(name: str) -> None:
    """Something was recorded every 1.2 s, so that silence is the plant's and not the recorder's."""
    rows = frames(RECORDINGS[name]["file"])
    assert max(b.at_s - a.at_s for a, b in pairwise(rows)) < 1.2


@pytest.mark.parametrize("name", [name for name, planted in RECORDINGS.items() if planted["due"]])
def test_the_watchdog_was_due(name: str) -> None:
    """Between two feeds, as the site file defines them, more than the watchdog's time and tolerance passed."""
    rows, limit_s = frames(RECORDINGS[name]["file"]), 3.0 * 1.1
    for device in RECORDINGS[name]["devices"]:
        number = int(device.split()[1])
        if device.startswith("fan"):
            fed = [f for f in rows if f.by == "gateway" and f.function == 3 and f.data[6] == 10 + number]
        elif number <= 3:
            fed = [f for f in requests(rows, to=f"zone{number}") if f.data[7:10] == b"\x06\0\x28"]
        else:
            fed = [f for f in requests(rows, to=f"zone{number}") if f.function == 3]
        assert max(b.at_s - a.at_s for a, b in pairwise(fed)) > limit_s, device


@pytest.mark.parametrize("name", RECORDINGS)
def test_the_devices_say_whether_they_fell_back(name: str) -> None:
    """The status register (3, bit 1) that the PLC reads shows a trip in zones whose watchdog was due, and no other."""
    tripped = {f.by.replace("zone", "zone ") for f in frames(RECORDINGS[name]["file"]) if _says_tripped(f)}
    also = set(RECORDINGS[name].get("also", {}))
    fell_back = set(RECORDINGS[name]["devices"]) | also if RECORDINGS[name]["due"] else set()
    assert tripped == (set() if name in RESTARTED else {device for device in fell_back if "zone" in device})


def _says_tripped(frame: Frame) -> bool:
    # Function 3 or 23, byte count 32: the PLC's block; two bytes a register after it (V1.1b3, sections 6.3 and 6.17).
    return (
        frame.sport == 502
        and frame.data[7:9] in (b"\x03\x20", b"\x17\x20")
        and bool(frame.data[9 + 2 * 3 + 1] & 2)
    )


def test_they_are_small() -> None:
    """Each recording takes less than 60 kB."""
    sizes = {path.name: path.stat().st_size for path in (SAMPLES / "causes").iterdir()}
    assert {name: size for name, size in sizes.items() if size > LONGEST_BYTES} == {}
