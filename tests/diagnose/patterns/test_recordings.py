"""The recordings of one cause each, from real traffic, show the patterns that belong to them, and no others."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from mbsniff.diagnose.patterns.catalogue import PATTERNS
from mbsniff.site import load_site
from tests.builders.readings import read

SAMPLES = Path(__file__).parents[3] / "samples"
RECORDINGS = [
    recording["name"] for recording in tomllib.loads((SAMPLES / "causes.toml").read_text())["recording"]
]
NEW = {kind.code for kind in PATTERNS}
EXPECTED = {
    "address-conflict": {  # the second host at the address has no such port
        ("connections-refused", "zone 3"),
        ("address-shared", "zone 3"),
    },
    "address-moved": {("address-moved", "zone 3")},
    "device-restarted": {("device-restart", "zone 3")},
    "device-saturated": {("busy-with-load", "zone 3")},
    "master-idle": {("probes-only", f"zone {n}") for n in range(1, 7)},
    "no-free-slot": {("no-free-slot", "zone 3")},
    "port-closed": {("connections-refused", "zone 3")},
    "replies-late": {("late-lockstep", "zone 3")},
    "target-dead": {("target-silent", "fan 2")},
    "window-closed": {("window-closed", "zone 3")},
}
"""By recording, what is found where; nothing in all others, the healthy ones among them."""


@pytest.mark.parametrize("name", RECORDINGS)
def test_each_recording_shows_its_own_pattern(name: str) -> None:
    """Of the patterns only those that belong to what was really done."""
    site = load_site(str(SAMPLES / "oven-fed-by-plc.toml"))
    made = read(SAMPLES / "causes" / f"{name}.pcap.gz", site).json
    found = {(f["code"], f["name"]) for f in made["findings"] if f["code"] in NEW}
    assert found == EXPECTED.get(name, set())
