"""A survey of writes in every format: they agree, nothing in them acts, and pages fit their width."""

from __future__ import annotations

import csv
import io
import json
import struct
from dataclasses import replace
from pathlib import Path

import pytest

from mbsniff.report.writes_json import writes_json
from mbsniff.report.writes_page import writes_page
from mbsniff.report.writes_sheets import FIELDS, judgements_table, writes_csv, writes_markdown
from mbsniff.site import Master, Register
from mbsniff.writes import Survey
from tests.audit.made import PLC, STATION, exchange, master, set_register, site
from tests.builders.plant import Plant
from tests.writes.made import survey_of, surveyed

ROOT = Path(__file__).parents[2]
HOSTILE = "=1+1|<script>\x1b[31m*_`[x](y)#\n- x"


@pytest.fixture(scope="module")
def hostile() -> Survey:
    """Names of device, register, master and unit that try to act; values outside, two writers."""
    plant = Plant()
    for k, address in enumerate((PLC, STATION, PLC)):
        set_register(master(plant, address, 49152 + k), 1 + k, 40, 500 + k)
    own = Register(HOSTILE, first=40, engineering_unit=HOSTILE, maximum=9)
    declared = site(own, masters=(Master(HOSTILE, (PLC,)),))
    return surveyed(plant, replace(declared, devices=(replace(declared.devices[0], name=HOSTILE),)))


def test_the_page_has_no_terminal_controls(hostile: Survey) -> None:
    """Escapes and line breaks in names are spelt out."""
    page = writes_page(hostile, 120)
    assert "\x1b" not in page and "\n- x" not in page
    assert "\\x1b[31m" in page


def test_csv_cells_are_no_formulas(hostile: Survey) -> None:
    """Each cell that begins like a formula has an apostrophe before it."""
    rows = list(csv.DictReader(io.StringIO(writes_csv(hostile))))
    assert len(rows) == 3 and rows[0]["name"].startswith("'=1+1")
    assert rows[0]["register"].startswith("'=") and rows[0]["master_name"].startswith("'=")
    assert not any(
        cell.startswith(("=", "+", "@")) or "\x1b" in cell for row in rows for cell in row.values()
    )


def test_markdown_holds_no_html_and_keeps_its_columns(hostile: Survey) -> None:
    """Markup is escaped, and a bar begins no new column."""
    page = writes_markdown(hostile)
    assert "<script>" not in page and "\x1b" not in page and "\n- x" not in page
    table = [line.replace("\\|", "") for line in page.splitlines() if line.startswith("|")]
    assert len({line.count("|") for line in table}) == 1


def test_json_holds_the_same(hostile: Survey) -> None:
    """It parses, is plain ASCII, and tells each register and judgement of the survey."""
    text = writes_json(hostile)
    assert text.isascii()
    told = json.loads(text)
    assert [j["code"] for j in told["judgements"]] == [j.code for j in hostile.judgements]
    assert told["registers"][0]["register"] == HOSTILE and told["registers"][0]["distinct"] == 3
    assert told["judgements"][0]["level"] == "fault" and told["judgements"][0]["evidence"][0]["frame"] == 1


def test_every_single_write_is_a_line() -> None:
    """Value, raw words, whether it changed, the reading's age; a mask write (6.16's example) shows both masks."""
    plant = Plant()
    connection = master(plant)
    set_register(connection, 1, 4, 0xFFF6)
    pdu = bytes.fromhex("16 0004 00F2 0025")
    exchange(connection, 2, pdu, pdu)
    exchange(connection, 3, struct.pack(">BHHBHH", 16, 3, 2, 4, 1, 2), struct.pack(">BHH", 16, 3, 2))
    made = surveyed(plant, site(Register("m", first=4, type="int16")), register="m")
    rows = list(csv.DictReader(io.StringIO(writes_csv(made))))
    assert tuple(rows[0]) == FIELDS
    assert [(r["function"], r["value"], r["raw"]) for r in rows] == [
        ("6", "-10.0", "65526"), ("22", "", "and 00F2 or 0025"), ("16", "2.0", "2"),
    ]  # fmt: skip
    assert {r["measurement_age_s"] for r in rows} == {""}


@pytest.mark.parametrize("width", [80, 100, 120, 160])
def test_the_page_fits_its_width(width: int) -> None:
    """On a real recording no line is longer than the terminal; what goes first is told beside the columns kept."""
    page = writes_page(survey_of([ROOT / "samples" / "link-down.pcap"], site()), width)
    assert max(map(len, page.splitlines())) <= width
    assert "can hurt people" in page


def test_how_it_was_written_is_told() -> None:
    """Cyclic, on change or sporadic stands in the table, as in JSON."""
    made = survey_of([ROOT / "samples" / "link-down.pcap"], site())
    assert "written how" in writes_markdown(made)
    kinds = {", ".join(r["kinds"]) for r in json.loads(writes_json(made))["registers"]}
    assert kinds and all(kind in writes_markdown(made) for kind in kinds)


def test_one_block_is_told_once() -> None:
    """A block of 30 undeclared registers in one request is one risk on the page, and 30 entries in JSON."""
    plant = Plant()
    pdu = struct.pack(">BHHB", 16, 60, 30, 60) + bytes(60)
    exchange(master(plant), 1, pdu, pdu[:5])
    made = surveyed(plant, site(Register("m", first=4)))
    page = writes_page(made, 80)
    assert "30 written values of 30 registers at 1 device: 1 risk." in page
    assert "holding 60 (no. 61) and 29 registers more" in page
    assert len(json.loads(writes_json(made))["judgements"]) == 30


def test_the_guide_has_every_judgement() -> None:
    """The table in the contributor guide is the catalogue itself."""
    assert judgements_table() in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
