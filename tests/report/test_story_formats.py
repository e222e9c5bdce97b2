"""Formats of stories and drills: names never act, frames and times stay, JSON has its names."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from mbsniff.report.story_drill import drill_json, drill_markdown, drill_page
from mbsniff.report.story_json import no_story_json, story_json
from mbsniff.report.story_page import story_page
from mbsniff.report.story_sheets import story_markdown
from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits, Master
from mbsniff.story import Ask, Story, Times, tell
from mbsniff.story.drill import Drill, drill
from tests.story.told import SAMPLES, diagnosis_of, look_at, story_of

HOSTILE = "=1+1|<script>alert(1)</script>*_`[x](y)#{who}\x1b[31m\n# title"
LIMITS = Limits(watchdog_ns=3 * 10**9, on_loss="shut-off")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[Story, Drill]:
    """The link-down sample, where file, device and master have names that try to act."""
    capture = tmp_path_factory.mktemp("made") / "red\x1b[31m<b>.pcap"
    shutil.copy(SAMPLES / "link-down.pcap", capture)
    devices = (Device(HOSTILE, "192.0.2.53", units=(1,), limits=LIMITS),)
    site = Site(devices=devices, masters=(Master(HOSTILE + "2", ("192.0.2.10",)),), path=str(capture))
    made, look = diagnosis_of([capture], site), look_at([capture])
    story = tell(made, look, Ask(), Times())
    assert story is not None
    return story, drill(made, look, Ask(), Times(), {})


def test_no_terminal_controls(hostile: tuple[Story, Drill]) -> None:
    """Escapes are spelt out, and no name begins a line of its own."""
    for page in (story_page(hostile[0], 120, everything=True), drill_page(hostile[1], 120)):
        assert "\x1b" not in page and "\\x1b" in page
        assert not re.search(r"^# title", page, re.M)


def test_markdown_holds_no_html(hostile: tuple[Story, Drill]) -> None:
    """Markup in names is escaped; tables keep their columns."""
    for page in (story_markdown(hostile[0], everything=True), drill_markdown(hostile[1])):
        assert "<script>" not in page and "<b>" not in page and "\x1b" not in page
        titles = [line for line in page.splitlines() if line.startswith("# ")]
        assert len(titles) == 1
        for table in re.findall(r"(?:^\|.*\n)+", page, re.M):
            lines = [line.replace("\\|", "") for line in table.splitlines()]
            assert len({line.count("|") for line in lines}) == 1


def test_json_keeps_the_name_as_it_is(hostile: tuple[Story, Drill]) -> None:
    """JSON has its own escapes."""
    assert json.loads(story_json(hostile[0]))["story"]["name"] == HOSTILE
    assert json.loads(drill_json(hostile[1]))["drill"]["name"] == HOSTILE


def test_json_has_its_names() -> None:
    """Programs rely on these."""
    made = json.loads(story_json(story_of("link-down.pcap")))
    assert list(made) == ["schema", "story", "steps", "cause", "recovery", "cannot_show", "recording"]
    assert made["schema"] == 1 and made["story"]["device"] == "192.0.2.53:502/1"
    assert made["story"]["length_s"] == pytest.approx(12.4, abs=0.01)
    assert set(made["steps"][0]) == {"kind", "from", "until", "count", "text", "evidence"}
    assert made["cause"]["cause"] == "device-unreachable" and made["cause"]["evidence"]
    assert made["recovery"]["status"]["outcome"] == "fell back"
    assert made["cannot_show"]
    assert json.loads(no_story_json()) == {"schema": 1, "story": None, "steps": []}


def test_the_page_says_what_was_left_out() -> None:
    """Where room is short, the least is left out, and how much is told; marks stay."""
    story = story_of("link-down.pcap")
    narrow, wide = story_page(story, 60), story_page(story, 200)
    assert "further steps: --all)" in narrow
    assert len(narrow.splitlines()) >= len(wide.splitlines()) - 3
    assert "watchdog (3 s) was due" in narrow
    assert "further" not in story_page(story, 120, everything=True)


def test_pages_end_with_what_the_wire_cannot_show() -> None:
    """And with the caution."""
    last = story_page(story_of("link-down.pcap"), 400).splitlines()[-2:]
    assert last[0].startswith("The wire cannot show: what zone 3's output really did")
    assert "Local codes" in last[1]


def test_advice_on_resets_has_its_caution() -> None:
    """A reset re-energises equipment."""
    assert "for qualified people only" in story_page(story_of("link-down.pcap"), 120)


def test_local_times_everywhere() -> None:
    """No sentence of a story in another zone is left in UTC."""
    from zoneinfo import ZoneInfo

    page = story_page(story_of("link-down.pcap", times=Times(ZoneInfo("Asia/Kolkata"))), 120, everything=True)
    assert "(IST, UTC+05:30)" in page
    assert not re.search(r"\b11:4\d:\d\d", page) and "17:16:19.716" in page


def test_lines_for_signatures(hostile: tuple[Story, Drill]) -> None:
    """Names, dates and signatures are left blank."""
    page = drill_page(hostile[1], 80)
    assert max(len(line) for line in page.splitlines()) <= 80 or "SHA-256" in page
    for who in ("Carried out by", "Witnessed by", "Accepted by"):
        assert re.search(rf"^{who}: +_+  Date: _+  Signature: _+$", page, re.M)


def test_digests_are_told(tmp_path: Path) -> None:
    """The recording's SHA-256 is on the record."""
    path = SAMPLES / "link-down.pcap"
    site = Site(devices=(Device("zone 3", "192.0.2.53", units=(1,), limits=LIMITS),))
    made = drill(diagnosis_of([path], site), None, Ask(), Times(), {str(path): "ab" * 32})
    assert "ab" * 32 in drill_page(made, 120) and "ab" * 32 in drill_markdown(made)
    assert json.loads(drill_json(made))["files"] == [{"file": str(path), "sha256": "ab" * 32}]


def test_frames_of_several_files(tmp_path: Path) -> None:
    """Frames are told by the file that they are in, counted within it, without the folder."""
    data = (SAMPLES / "link-down.pcap").read_bytes()
    cut, at = 24, 24
    while cut < len(data) // 2:
        cut += 16 + int.from_bytes(data[cut + 8 : cut + 12], "little")
    parts = [tmp_path / "ring-1.pcap", tmp_path / "ring-2.pcap"]
    parts[0].write_bytes(data[:cut])
    parts[1].write_bytes(data[:at] + data[cut:])
    site = Site(devices=(Device("zone 3", "192.0.2.53", units=(1,), limits=LIMITS),))
    story = tell(diagnosis_of(parts, site), look_at(parts), Ask(), Times())
    assert story is not None
    page = story_page(story, 200)
    assert "(frames ring-1.pcap 1373–1374)" in page and "ring-2.pcap " in page
    assert str(tmp_path) not in page.split("\n", 1)[1]


def test_a_long_cause_is_cut_at_a_clause() -> None:
    """However much evidence there is, a page keeps to the screen, and says that something was left out."""
    story = story_of("link-down.pcap")
    assert story.cause is not None
    text = ", ".join(f"evidence {n} that takes some room on the page" for n in range(40))
    page = story_page(replace(story, cause=replace(story.cause, text=text)), 100)
    assert len(page.splitlines()) <= 30 and "page… (frames" in page
