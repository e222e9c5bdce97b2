"""The recordings of real traffic under samples/: what was planted is found, and nothing else."""

from __future__ import annotations

import functools
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from mbsniff.capture import open_recording
from mbsniff.diagnose import diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_dict
from mbsniff.site import load_site

SAMPLES = Path(__file__).parents[1] / "samples"
PLANTED = tomllib.loads((SAMPLES / "planted.toml").read_text())
RECORDINGS = {recording["name"]: recording for recording in PLANTED["recording"]}
JUDGED = frozenset(PLANTED["codes"])


@functools.cache
def diagnosed(name: str) -> dict[str, Any]:
    """The JSON of a sample with its site file."""
    site = load_site(str(SAMPLES / "oven.toml"))
    with open_recording([str(SAMPLES / RECORDINGS[name]["file"])]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    figures = measure(exchange, facts, site, compiled=False)
    return diagnosis_dict(diagnose(exchange, facts, figures, site))


def seconds_in(name: str, moment: str) -> float:
    """Seconds from the recording's first frame."""
    begin = datetime.fromisoformat(diagnosed(name)["recording"]["starts"][:26])
    return (datetime.fromisoformat(moment[:26]) - begin).total_seconds()


@pytest.mark.parametrize("name", RECORDINGS)
def test_the_recording_is_the_one_described(name: str) -> None:
    """Frames, span and requests are those of the page."""
    made, planted = diagnosed(name), RECORDINGS[name]
    assert made["recording"]["frames"] == planted["frames"]
    assert made["recording"]["span_s"] == pytest.approx(planted["span_s"], abs=0.1)
    assert sum(device["requests"] for device in made["devices"]) == planted["requests"]
    for device in made["devices"]:
        expected = planted["longest_silence_s"].get(device["name"])
        if expected is not None:
            assert device["longest_silence_s"] == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("name", RECORDINGS)
def test_what_was_planted_is_found_when_it_happened(name: str) -> None:
    """Every planted finding, for each of its devices, within its time."""
    findings = diagnosed(name)["findings"]
    for planted in RECORDINGS[name].get("finding", []):
        within = planted.get("within_s", 0.5)
        for device in planted["devices"]:
            own = [f for f in findings if f["code"] == planted["code"] and f["name"] == device]
            assert own, (planted["code"], device)
            assert seconds_in(name, own[0]["from"]) >= planted["from_s"] - within
            assert seconds_in(name, own[0]["until"]) <= planted["until_s"] + within
            for master in planted.get("masters", []):
                assert master in own[0]["text"]


@pytest.mark.parametrize("name", RECORDINGS)
def test_nothing_else_is_found(name: str) -> None:
    """No judged finding beyond those planted, or named as a matter of judgement."""
    allowed = {
        (entry["code"], device)
        for table in ("finding", "also")
        for entry in RECORDINGS[name].get(table, [])
        for device in entry["devices"]
    }
    found = {(f["code"], f["name"]) for f in diagnosed(name)["findings"] if f["code"] in JUDGED}
    assert found <= allowed


def test_the_healthy_shift_is_fine() -> None:
    """Six zones fine, no finding of any kind."""
    made = diagnosed("healthy-shift")
    assert [device["state"] for device in made["devices"]] == ["fine"] * 6
    assert made["findings"] == []


def test_all_samples_together_are_small() -> None:
    """At most 5 MB, so that a clone stays quick."""
    paths = (*SAMPLES.iterdir(), *(SAMPLES / "causes").iterdir())
    assert sum(path.stat().st_size for path in paths if path.is_file()) <= 5_000_000
