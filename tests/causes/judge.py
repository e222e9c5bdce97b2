"""A scene in, the verdict on each of its devices out, by the whole path from the capture's bytes on."""

from __future__ import annotations

import functools
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes import cause_of
from mbsniff.measure.silences import limit_ns
from mbsniff.site import Site, load_site
from tests.builders.readings import Reading, read
from tests.builders.recorder import write
from tests.causes.oven import Oven
from tests.causes.pairs import Pair, Told

SITE = Path(__file__).parents[2] / "samples" / "oven-fed-by-plc.toml"


@dataclass(frozen=True)
class Verdict:
    """A cause, how certain it is, and what is said."""

    cause: str | None
    certainty: str | None
    text: str

    def is_as(self, wanted: Told) -> bool:
        """Whether it is what was wanted."""
        return (
            self.cause in wanted.causes
            and self.certainty in wanted.certainty
            and wanted.says in self.text
            and not (wanted.never and wanted.never in self.text)
        )


NOTHING = Verdict(None, None, "no watchdog was due")


@functools.cache
def site() -> Site:
    """The oven's, in which only the PLC feeds."""
    return load_site(str(SITE))


def reading(oven: Oven) -> Reading:
    """All stages of the capture of a scene."""
    with tempfile.TemporaryDirectory() as folder:
        return read(write(Path(folder) / "scene.pcap", oven.plant), site())


def verdicts(oven: Oven, devices: tuple[str, ...], *, moment: bool = False) -> dict[str, Verdict]:
    """The verdict on each device: of the longest due silence, or of the longest silence at all."""
    return _judged(reading(oven), devices, moment)


@functools.cache
def plain(pair: Pair, switch: bool) -> tuple[dict[str, Any], dict[str, Verdict]]:
    """What is said of the recording of one side of a pair as it is, and the verdicts."""
    made = reading(pair.scene(switch))
    return made.json["recording"], _judged(made, pair.devices, pair.moment)


def _judged(made: Reading, devices: tuple[str, ...], moment: bool) -> dict[str, Verdict]:
    judge = _of_longest if moment else _of_finding
    return {device: judge(made, device) for device in devices}


def _of_finding(made: Reading, device: str) -> Verdict:
    due = [f for f in made.json["findings"] if f["code"] == "watchdog-due" and f["name"] == device]
    if not due:
        return NOTHING
    causes = {f["cause"] for f in due}
    worst = due[0]
    cause = worst["cause"] if len(causes) == 1 else " and ".join(sorted(causes))
    return Verdict(cause, worst.get("cause_certainty"), worst["text"])


def _of_longest(made: Reading, device: str) -> Verdict:
    case = Case(made.exchange, made.facts, made.figures, site())
    figures = next(d for d in made.figures.devices if d.name == device)
    silence, limit = figures.silences.longest, limit_ns(figures.limits)
    assert silence and limit
    cause = cause_of(case, figures, silence, limit)
    return Verdict(cause.code, cause.certainty, cause.text)
