"""A scene in, the verdict on each of its devices out, by the whole path from the capture's bytes on."""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes import cause_of
from mbsniff.measure.silences import limit_ns
from mbsniff.site import Site, load_site
from tests.builders.readings import Named, Reading, read
from tests.builders.recorder import write
from tests.causes.oven import Oven
from tests.causes.pairs import Pair, Told

SITE = Path(__file__).parents[2] / "samples" / "oven-fed-by-plc.toml"
ZONE_3 = 'name = "zone 3"'


@dataclass(frozen=True)
class Verdict:
    """A cause, how certain it is, and what is said."""

    cause: str | None
    certainty: str | None
    text: str
    rivals: frozenset[str] = frozenset()
    """Other causes that remain possible."""

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
def site(keys: str = "") -> Site:
    """The oven's, in which only the PLC feeds; with further keys of zone 3."""
    if not keys:
        return load_site(str(SITE))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / SITE.name
        path.write_text(SITE.read_text("utf-8").replace(ZONE_3, f"{ZONE_3}\n{keys}"), "utf-8")
        return load_site(str(path))


def reading(oven: Oven, keys: str = "") -> Reading:
    """All stages of the capture of a scene."""
    with tempfile.TemporaryDirectory() as folder:
        return read(write(Path(folder) / "scene.pcap", oven.plant), site(keys))


def verdicts(oven: Oven, pair: Pair) -> dict[str, Verdict]:
    """The verdict on each device of a pair, in a capture of one side of it.

    That is on its due silences (numbered from the second on), or on the longest silence at all.
    """
    return _judged(reading(oven, pair.keys), pair)


@functools.cache
def plain(pair: Pair, switch: bool) -> tuple[Named, dict[str, Verdict]]:
    """The JSON of one side of a pair as it is, and the verdicts."""
    made = reading(pair.scene(switch), pair.keys)
    return made.json, _judged(made, pair)


def _judged(made: Reading, pair: Pair) -> dict[str, Verdict]:
    if pair.moment:
        return {device: _of_longest(made, device, pair) for device in pair.devices}
    return {name: verdict for device in pair.devices for name, verdict in _of_findings(made, device)}


def _of_findings(made: Reading, device: str) -> Iterator[tuple[str, Verdict]]:
    due = [f for f in made.json["findings"] if f["code"] == "watchdog-due" and f["name"] == device]
    if not due:
        yield device, NOTHING
    for number, found in enumerate(due, 1):
        name = device if number == 1 else f"{device}, silence {number}"
        rivals = frozenset(rival["cause"] for rival in found["rivals"])
        yield name, Verdict(found["cause"], found["cause_certainty"], found["text"], rivals)


def _of_longest(made: Reading, device: str, pair: Pair) -> Verdict:
    case = Case(made.exchange, made.facts, made.figures, site(pair.keys))
    figures = next(d for d in made.figures.devices if d.name == device)
    silence, limit = figures.silences.longest, limit_ns(figures.limits)
    assert silence and limit
    cause = cause_of(case, figures, silence, limit)
    return Verdict(cause.code, cause.certainty, cause.text, frozenset(code for code, _ in cause.rivals))
