"""A capture, a site and a question in, the story out; and what was planted in the recordings of causes."""

from __future__ import annotations

import functools
import tomllib
from pathlib import Path
from typing import Any

from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.exchange import Look, read_exchange
from mbsniff.measure import measure
from mbsniff.site import Site, load_site
from mbsniff.story import Ask, Story, Times, tell

SAMPLES = Path(__file__).parents[2] / "samples"
PLANTED: dict[str, Any] = tomllib.loads((SAMPLES / "causes.toml").read_text())
RECORDINGS: dict[str, dict[str, Any]] = {r["name"]: r for r in PLANTED["recording"]}
UTC = Times()
NS = 1_000_000_000


def diagnosis_of(paths: list[Path], site: Site) -> Diagnosis:
    """The diagnosis of captures, read uncompiled."""
    with open_recording([str(path) for path in paths]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


def look_at(paths: list[Path]) -> Look:
    """A second look at captures."""
    return functools.partial(frames_again, tuple(str(path) for path in paths))


@functools.cache
def sample(file: str, site: str) -> Diagnosis:
    """A sample's diagnosis with one of the samples' site files."""
    return diagnosis_of([SAMPLES / file], load_site(str(SAMPLES / site)))


@functools.cache
def story_of(
    file: str, site: str = "oven.toml", ask: Ask | None = None, times: Times = UTC, fold: bool = True
) -> Story:
    """A sample's story."""
    made = tell(sample(file, site), look_at([SAMPLES / file]), ask or Ask(), times, fold=fold)
    assert made is not None
    return made


def planted(name: str, device: str | None = None) -> Story:
    """The story of a recording of causes: of its worst silence, or of a device's."""
    return story_of(RECORDINGS[name]["file"], PLANTED["site"], Ask(device=device))


def seconds(story: Story, ns: int) -> float:
    """Seconds after the recording's first frame."""
    return (ns - (story.diagnosis.facts.starts_ns or 0)) / NS


def kinds(story: Story) -> list[str]:
    """The codes of the steps, in order."""
    return [step.kind for step in story.steps]


def texts(story: Story) -> str:
    """All sentences, a line each."""
    return "\n".join(step.text for step in story.steps)
