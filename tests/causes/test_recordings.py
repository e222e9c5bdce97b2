"""Each real recording of a cause: its verdict is the true one, certain or likely; healthy ones get none."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.builders.readings import read
from tests.causes.judge import site

SAMPLES = Path(__file__).parents[2] / "samples"
RECORDINGS = tomllib.loads((SAMPLES / "causes.toml").read_text(encoding="utf-8"))["recording"]


def judged(recording: dict[str, Any]) -> list[dict[str, Any]]:
    """The findings about its devices that name a cause; incidents, of several devices, have tests of their own."""
    found: list[dict[str, Any]] = read(SAMPLES / recording["file"], site()).json["findings"]
    return [f for f in found if f["cause"] and f["code"] != "incident"]


@pytest.mark.parametrize("recording", RECORDINGS, ids=lambda r: str(r["name"]))
def test_the_true_cause_of_every_recording(recording: dict[str, Any]) -> None:
    """On all devices concerned and on no other one; where a watchdog was due, that is found too, and else not."""
    found = judged(recording)
    also = {
        name: cause for name, cause in recording.get("also", {}).items() if name not in recording["devices"]
    }
    wanted = dict.fromkeys(recording["devices"], recording["cause"]) | also
    assert {(f["name"], f["cause"]) for f in found} == set(wanted.items())
    assert {f["cause_certainty"] for f in found} <= {"certain", "likely"}
    due = {f["name"] for f in found if f["code"] == "watchdog-due" and f["certainty"] == "certain"}
    assert due == (set(wanted) if recording["due"] else set())


@pytest.mark.parametrize("recording", [r for r in RECORDINGS if r["cause"]], ids=lambda r: str(r["name"]))
def test_every_verdict_points_to_frames_and_says_what_else(recording: dict[str, Any]) -> None:
    """No verdict without frames; the words that the recording asks for; what remains comes with what would decide."""
    for finding in judged(recording):
        assert finding["evidence"]
        assert recording.get("says", "") in finding["text"] or finding["name"] not in recording["devices"]
        assert bool(finding["would_decide"]) or not finding["rivals"]
        ruled_out = {sentence.removeprefix("against ").split(": ")[0] for sentence in finding["against"]}
        assert not ruled_out & {rival["cause"] for rival in finding["rivals"]}
        assert finding["cause"] not in ruled_out


@pytest.mark.parametrize("recording", [r for r in RECORDINGS if r.get("also")], ids=lambda r: str(r["name"]))
def test_second_best_verdicts_remain_as_rivals(recording: dict[str, Any]) -> None:
    """What would be left to say of the same device if the first were not so is among the rivals."""
    for name, cause in recording["also"].items():
        own = [f for f in judged(recording) if f["name"] == name]
        assert own
        for finding in own:
            assert cause in {finding["cause"], *(rival["cause"] for rival in finding["rivals"])}
