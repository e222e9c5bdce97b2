"""One diagnosis in all formats: they parse back, agree with each other, and leave nothing to guess."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from mbsniff.diagnose import Diagnosis, Evidence, Finding
from mbsniff.report.as_json import diagnosis_dict, diagnosis_json
from mbsniff.report.columns import COLUMNS
from mbsniff.report.sheets import FIELDS, QUANTILES, diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.diagnose.built import ZONE, every, master
from tests.diagnose.test_diagnosis import mixed, whole

LONG_NAMES = tuple(
    Device(f"oven zone {n:02d}", f"192.0.2.{50 + n}", units=(1,), limits=ZONE) for n in range(5)
)


@pytest.fixture(scope="module")
def made() -> Diagnosis:
    """Five devices in all four states, named with twelve characters."""
    return whole(mixed(), Site(devices=LONG_NAMES))


def rows_of_markdown(page: str) -> list[list[str]]:
    """The cells of the page's one pipe table, escapes undone, without the rule."""
    lines = [line for line in page.splitlines() if line.startswith("|")]
    cells = [re.split(r"(?<!\\)\|", line.strip("|")) for line in lines]
    return [[re.sub(r"\\(.)", r"\1", cell).strip() for cell in row] for row in [cells[0], *cells[2:]]]


@pytest.mark.parametrize("width", [60, 80, 100, 120, 200])
def test_the_table_fits(made: Diagnosis, width: int) -> None:
    """No line beyond the width; state, device and why are always there."""
    page = diagnosis_page(made, width)
    assert max(map(len, page.splitlines())) <= width
    for words in ("oven zone 01 192.0.2.51/1", "poll-dropped !"):
        assert words in page


def test_the_last_columns_go_first(made: Diagnosis) -> None:
    """What is shown at a narrower width is a part of what is shown at a wider one; the highest rank goes first."""
    shown = []
    for width in range(50, 200, 5):
        titles = " ".join(diagnosis_page(made, width).split("\n\n")[1].splitlines()[1].split())
        shown.append({c.rank for c in COLUMNS if c.title.split(" ", 1)[-1] in titles})
    assert all(narrow <= wide for narrow, wide in pairwise(shown))
    assert all(ranks == set(range(len(ranks))) for ranks in shown)
    assert len(shown[-1]) == len(COLUMNS)


def test_csv_parses_back(made: Diagnosis) -> None:
    """Every row has every column; numbers are the JSON's, null is empty."""
    reader = csv.DictReader(io.StringIO(diagnosis_csv(made)), strict=True)
    rows = list(reader)
    assert reader.fieldnames == [*FIELDS, *(f"reply_ms_{q}" for q in QUANTILES), "masters", "findings"]
    for row, device in zip(rows, diagnosis_dict(made)["devices"], strict=True):
        assert None not in row and None not in row.values()
        for field in FIELDS:
            told = device[field]
            same = float(row[field]) == told if isinstance(told, float | int) else row[field] == (told or "")
            assert same, field
    assert rows[0]["findings"] == "watchdog-due"


def test_markdown_parses_back(made: Diagnosis) -> None:
    """A header and a row a device, each with all columns; the cells are the table's."""
    head, *rows = rows_of_markdown(diagnosis_markdown(made))
    assert head == [column.title for column in COLUMNS]
    assert rows == [[column.cell(verdict) for column in COLUMNS] for verdict in made.verdicts]


def test_json_has_neither_nan_nor_control_characters(made: Diagnosis) -> None:
    """One line of ASCII a device; what was not measured is null."""
    text = diagnosis_json(made)
    assert text.isascii()

    def refuse(word: str) -> None:
        raise AssertionError(word)

    parsed = json.loads(text, parse_constant=refuse)
    assert parsed == diagnosis_dict(made)
    probed = next(d for d in parsed["devices"] if d["name"] == "oven zone 03")
    for key in ("margin", "spare_polls", "supported_timeout_s", "watchdog_due", "watchdog_possibly_due"):
        assert probed[key] is None
    assert probed["polls"][0]["period_s"] is None


def test_nothing_measured_is_null() -> None:
    """One request without a reply: no reply times, no silence, no rate over no time."""
    plant = Plant()
    poll(master(plant), [0], reply_s=None)
    (device,) = diagnosis_dict(whole(plant, Site.empty()))["devices"]
    for key in (
        "reply_ms",
        "service_ms",
        "longest_silence_s",
        "longest_silence_at",
        "watchdog_s",
        "requests_per_s",
    ):
        assert device[key] is None, key
    assert device["name"] is None


def test_formats_tell_the_same_devices_in_the_same_order(made: Diagnosis) -> None:
    """Worst first everywhere."""
    names = [device["name"] for device in json.loads(diagnosis_json(made))["devices"]]
    assert [row["name"] for row in csv.DictReader(io.StringIO(diagnosis_csv(made)))] == names
    table = re.findall(r"^(?:due|risk|open|fine) +(oven zone \d\d)", diagnosis_page(made, 120), re.MULTILINE)
    assert table == names
    assert [row[1].split(" 192")[0] for row in rows_of_markdown(diagnosis_markdown(made))[1:]] == names


def with_finding(made: Diagnosis, **changes: Any) -> Diagnosis:
    """The diagnosis with its first finding changed."""
    first: Finding = replace(made.findings[0], **changes)
    return replace(made, findings=[first, *made.findings[1:]])


def test_paths_cannot_act_in_any_format(made: Diagnosis) -> None:
    """A file's name with a line break, terminal controls, half a character, HTML and a fence."""
    path = "a\n\n# b\x1b[31m\x9b\udcff<i>~~~`|$x$.pcap"
    hostile = with_finding(made, evidence=(Evidence(path, 3), Evidence("b.pcap", 4)))
    files = [replace(made.facts.files[0], file=path)]
    hostile = replace(hostile, facts=replace(made.facts, files=files))
    page, markdown = diagnosis_page(hostile, 120), diagnosis_markdown(hostile)
    for text in (page, markdown, diagnosis_csv(hostile), diagnosis_json(hostile)):
        assert all(char.isprintable() or char == "\n" for char in text)
        text.encode("utf-8")
    assert "<i>" not in markdown and "\n# b" not in markdown and "\n~~~" not in markdown
    assert not re.search(r"(?<!\\)[~$`]", markdown)
    assert json.loads(diagnosis_json(hostile))["recording"]["files"] == [path]


@pytest.mark.parametrize(
    "text",
    ["- zone", "+ zone", "1. zone", "12) zone", "---", "===", "# zone", "> zone", "~~~", "* zone", "```"],
)
def test_a_findings_text_begins_no_block_in_markdown(made: Diagnosis, text: str) -> None:
    """A name at the start of a line is no list, heading, quotation, rule or code (CommonMark 0.31, 4 and 5)."""
    page = diagnosis_markdown(with_finding(made, text=f"{text} was silent"))
    line = next(line for line in page.splitlines() if "was silent" in line)
    assert re.match(r"(\d+)?\\|&gt;", line), line


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "＝1", "\t=1"])
def test_csv_cells_are_no_formulas(name: str) -> None:
    """However the name begins, an apostrophe or an escape goes before what would be computed."""
    plant = Plant()
    poll(master(plant), every(1, 0, 10))
    site = Site(devices=(Device(name, "192.0.2.50", units=(1,), limits=Limits()),))
    (row,) = csv.DictReader(io.StringIO(diagnosis_csv(whole(plant, site))))
    assert row["name"][0] in "'\\"


def test_advice_is_told_once(made: Diagnosis) -> None:
    """The second finding of a kind refers to the first."""
    page = diagnosis_page(made, 120)
    assert page.count("Do: Find out why the requests stopped") == 1
    assert "Do: as for 1." in page


def test_a_recording_without_frames_or_modbus() -> None:
    """Nothing to show is said in words, in every format."""
    plant = Plant()
    plant.connection(device=("192.0.2.99", 80)).segment(0)
    made = whole(plant, Site.empty())
    assert "no Modbus TCP among them" in " ".join(diagnosis_page(made, 80).split())
    assert diagnosis_dict(made)["devices"] == []
    assert len(diagnosis_csv(made).splitlines()) == 1
    assert diagnosis_markdown(made).startswith("# Diagnosis\n")
