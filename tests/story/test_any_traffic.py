"""Whatever went by: there is a story of any device, moment and silence, and every format holds it."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from mbsniff.report.story_drill import drill_json, drill_markdown, drill_page
from mbsniff.report.story_json import story_json
from mbsniff.report.story_page import story_page
from mbsniff.report.story_sheets import story_markdown
from mbsniff.site import Site
from mbsniff.site.limits import Limits
from mbsniff.story import Ask, AskError, Times, tell
from mbsniff.story.drill import drill
from tests.audit.test_any_traffic import SITE
from tests.builders.strategies import captures
from tests.story.told import diagnosis_of, look_at

TIMED = Site(defaults=Limits(watchdog_ns=2 * 10**9))


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow], print_blob=False)
@given(captures(60))
def test_any_traffic(capture) -> None:  # type: ignore[no-untyped-def]
    """All pages and formats of every device, folded and not, with and without a second look."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.pcap"
        path.write_bytes(capture.data)
        for site in (SITE, TIMED):
            _tell_all(path, site)


def _tell_all(path: Path, site: Site) -> None:
    made = diagnosis_of([path], site)
    moment = Times().clock(((made.facts.starts_ns or 0) + (made.facts.ends_ns or 0)) // 2)
    asked = [Ask(device=d.key) for d in made.figures.devices[:3]]
    asked += [Ask(moment, d.key) for d in made.figures.devices[:3]]
    for ask in (Ask(), *asked):
        for fold, look in ((True, look_at([path])), (False, None)):
            try:
                story = tell(made, look, ask, Times(), fold=fold)
            except AskError as error:
                assert str(error)
                continue
            if story is None:
                continue
            times = [step.from_ns for step in story.steps]
            assert times == sorted(times) and all(step.count >= 1 and step.text for step in story.steps)
            assert len(json.loads(story_json(story))["steps"]) == len(story.steps)
            assert max(len(line) for line in story_page(story, 80).splitlines()) <= 80
            assert story_markdown(story, everything=not fold).startswith("# ")
        try:
            record = drill(made, look_at([path]), ask, Times(), {})
        except AskError:
            continue
        assert drill_page(record, 80) and drill_markdown(record)
        assert json.loads(drill_json(record))["drill"]["outcome"] == record.outcome


def test_a_recording_that_went_away(tmp_path: Path) -> None:
    """Frames that cannot be seen again are left out, and the story is told."""
    path = tmp_path / "gone.pcap"
    path.write_bytes((Path(__file__).parents[2] / "samples" / "link-down.pcap").read_bytes())
    made = diagnosis_of([path], TIMED)
    look = look_at([path])
    path.unlink()
    assert tell(made, look, Ask(), Times()) is not None


def test_no_modbus() -> None:
    """A recording without requests has no story; one error says what to look at."""
    from tests.builders.plant import Plant
    from tests.builders.recorder import write

    plant = Plant()
    plant.connection(device=("192.0.2.99", 80)).segment(0)
    with tempfile.TemporaryDirectory() as folder:
        made = diagnosis_of([write(Path(folder) / "none.pcap", plant)], Site.empty())
    with pytest.raises(AskError, match="--port"):
        tell(made, None, Ask(), Times())
