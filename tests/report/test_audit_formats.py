"""An audit in every format: its rows, its widths, JUnit's shape; names that try to act stay text."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from mbsniff.audit import REQUIREMENTS, Audit
from mbsniff.report.audit_json import audit_json
from mbsniff.report.audit_junit import audit_junit
from mbsniff.report.audit_page import audit_page
from mbsniff.report.audit_sheets import (
    RESULT_FIELDS,
    audit_csv,
    audit_markdown,
    requirements_table,
)
from mbsniff.site import Site, load_site
from tests.audit.made import audit_of

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "samples" / "link-down.pcap"
HOSTILE = "=1+1|<script>alert(1)</script>&]]>*_`[x](y)#\x1b[31m\u202e\ufffe"


def oven() -> Site:
    """The samples' site."""
    return load_site(str(ROOT / "samples" / "oven.toml"))


@pytest.fixture(scope="module")
def made() -> Audit:
    """The audit of the sample with the link that went down."""
    return audit_of([SAMPLE], oven())


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Audit:
    """The same, with names that try to act for the file, devices, masters, registers and their units."""
    capture = tmp_path_factory.mktemp("made") / "red\x1b[31m<b>.pcap"
    capture.write_bytes(SAMPLE.read_bytes())
    site = oven()
    devices = tuple(
        replace(
            d,
            name=HOSTILE,
            registers=tuple(
                replace(r, name=HOSTILE + r.name if r.name else None, engineering_unit=HOSTILE, feedback=None)
                for r in d.registers
            ),
            limits=replace(d.limits, masters=(HOSTILE,), writers=None, status_register=3),
        )
        for d in site.devices
    )
    masters = tuple(replace(m, name=HOSTILE + m.name) for m in site.masters)
    return audit_of([capture], replace(site, devices=devices, masters=masters))


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_pages_keep_to_the_width(made: Audit, width: int) -> None:
    """No line is wider than the terminal, and what is not met stands first."""
    text = audit_page(made, width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "zone 3" in text


def test_the_page_tells_what_and_why(made: Audit) -> None:
    """Verdict, measured, limit, the reason, frames, and what was not judged."""
    page = audit_page(made, 120)
    assert page.index("not met") < page.index("\nmet ")
    for text in ("8.17 to 12.4 s", "less than 3 s", "device-unreachable", "Frames: 1452", "so not judged"):
        assert text in page


def test_csv_and_json_have_every_row(made: Audit) -> None:
    """The same results in both, in the same order."""
    document = json.loads(audit_json(made))
    rows = list(csv.DictReader(io.StringIO(audit_csv(made))))
    assert tuple(rows[0]) == RESULT_FIELDS
    assert [(r["code"], r["verdict"], r["device"]) for r in rows] == [
        (r["code"], r["verdict"], r["device"]) for r in document["results"]
    ]
    assert document["met"] is False and document["counts"]["not_met"] == 3


# What the published schemas of the format ask for, from memory: elements, their order, attributes that must be there.
SUITE = {"name", "tests", "failures", "errors", "skipped", "time", "timestamp", "hostname", "id", "package"}


def test_junit_is_well_formed_and_in_order(made: Audit) -> None:
    """Not met is a failure, cannot be told is skipped, and the counts are those of the cases."""
    root = ET.fromstring(audit_junit(made))
    assert root.tag == "testsuites"
    cases = 0
    for suite in root:
        assert suite.tag == "testsuite" and set(suite.attrib) == SUITE
        tags = [child.tag for child in suite]
        assert tags[0] == "properties" and tags[-2:] == ["system-out", "system-err"]
        assert set(tags[1:-2]) == {"testcase"}
        assert len(suite.attrib["timestamp"]) == len("2026-01-01T00:00:00")
        for tag, count in (("testcase", "tests"), (".//failure", "failures"), (".//skipped", "skipped")):
            assert len(suite.findall(tag)) == int(suite.attrib[count])
        for case in suite.findall("testcase"):
            assert set(case.attrib) == {"name", "classname", "time"} and len(case) <= 1
        cases += len(suite.findall("testcase"))
    assert cases == len(made.results)
    failure = root.find(".//failure")
    assert failure is not None and failure.attrib["type"] and "limit" in failure.attrib["message"]


def test_terminals_get_no_controls(hostile: Audit) -> None:
    """Escape and the mark that turns the writing direction are spelt out."""
    page = audit_page(hostile, 120)
    assert all(c.isprintable() or c == "\n" for c in page)
    assert "\\x1b[31m" in page


def test_csv_cells_are_no_formulas(hostile: Audit) -> None:
    """A name that begins like a formula gets an apostrophe before it."""
    rows = list(csv.reader(io.StringIO(audit_csv(hostile))))
    assert any(cell.startswith("'=1+1") for row in rows for cell in row)
    assert not [c for row in rows for c in row if c.startswith(("=", "+", "@")) or not c.isprintable()]


def test_markdown_holds_no_html_and_keeps_its_columns(hostile: Audit) -> None:
    """Markup in a name is escaped, and a bar in it begins no new column."""
    page = audit_markdown(hostile)
    assert "<script>" not in page and "\x1b" not in page
    table = [line.replace("\\|", "") for line in page.splitlines() if line.startswith("|")]
    assert {line.count("|") for line in table} == {7 + 1}


def test_xml_and_json_hold_the_names_as_text(hostile: Audit) -> None:
    """The parser of each gives them back as text; no element comes of a name, and no character that XML forbids."""
    text = audit_junit(hostile)
    assert "<script>" not in text and "\x1b" not in text and "\ufffe" not in text
    root = ET.fromstring(text)
    names = {case.attrib["name"] for case in root.iter("testcase")}
    assert any("<script>alert(1)</script>&]]>" in name for name in names)
    assert not list(root.iter("script"))
    assert json.loads(audit_json(hostile))["results"][0]["name"] is not None
    assert audit_json(hostile).isascii()


def test_the_guide_has_the_table_of_requirements() -> None:
    """The contributor guide's table is the one that drives the audit."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert requirements_table() in guide
    assert len({r.code for r in REQUIREMENTS}) == len(REQUIREMENTS)
