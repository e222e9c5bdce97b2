"""A Plant and a Site in, the Survey of its writes out."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from mbsniff.capture import frames_again, open_recording
from mbsniff.diagnose import diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.site import Site
from mbsniff.writes import Judgement, Survey, survey_writes
from tests.builders.plant import Plant
from tests.builders.recorder import write


def surveyed(
    plant: Plant,
    declared: Site,
    *,
    again: bool = True,
    device: str | None = None,
    register: str | None = None,
) -> Survey:
    """The survey; ``again``: whether the recording can be looked at a second time."""
    with tempfile.TemporaryDirectory() as folder:
        made = [write(Path(folder) / "made.pcap", plant)]
        return survey_of(made, declared, again=again, device=device, register=register)


def survey_of(
    captures: Sequence[Path],
    declared: Site,
    *,
    again: bool = True,
    device: str | None = None,
    register: str | None = None,
) -> Survey:
    """The survey of captures."""
    names = [str(path) for path in captures]
    with open_recording(names) as recording:
        found, facts = read_exchange(recording, compiled=False)
    diagnosis = diagnose(found, facts, measure(found, facts, declared, compiled=False), declared)
    look = partial(frames_again, names) if again else None
    return survey_writes(diagnosis, look, device=device, register=register)


def codes(survey: Survey) -> list[str]:
    """The judgements' codes, the worst first."""
    return [judgement.code for judgement in survey.judgements]


def judgement(survey: Survey, code: str) -> Judgement:
    """The one judgement of a code."""
    (found,) = [each for each in survey.judgements if each.code == code]
    return found
