"""Names and paths never act in an output: no terminal control, HTML, Markdown or spreadsheet formula."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.diagnose import Diagnosis, diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_json
from mbsniff.report.columns import COLUMNS
from mbsniff.report.sheets import diagnosis_csv, diagnosis_markdown
from mbsniff.report.table import diagnosis_page
from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits

SAMPLE = Path(__file__).parents[2] / "samples" / "link-down.pcap"
HOSTILE = "=1+1|<script>alert(1)</script>*_`[x](y)#"


def diagnosed(capture: Path, name: str) -> Diagnosis:
    """The link-down sample with a name for its zone 3."""
    site = Site(devices=(Device(name, "192.0.2.53", units=(1,), limits=Limits(watchdog_ns=3 * 10**9)),))
    with open_recording([str(capture)]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    return diagnose(exchange, facts, measure(exchange, facts, site, compiled=False), site)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Diagnosis:
    """A diagnosis in which the file's and the device's names try to act."""
    capture = tmp_path_factory.mktemp("made") / "red\x1b[31m<b>.pcap"
    shutil.copy(SAMPLE, capture)
    return diagnosed(capture, HOSTILE)


def test_the_page_has_no_terminal_controls(hostile: Diagnosis) -> None:
    """The file's name is shown with its escape spelt out."""
    page = diagnosis_page(hostile, 120)
    assert "\x1b" not in page
    assert "red\\x1b[31m" in page


def test_csv_cells_are_no_formulas(hostile: Diagnosis) -> None:
    """A name that begins like a formula gets an apostrophe before it."""
    rows = list(csv.DictReader(io.StringIO(diagnosis_csv(hostile))))
    assert rows[0]["name"] == "'" + HOSTILE
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row.values())


def test_markdown_holds_no_html_and_keeps_its_columns(hostile: Diagnosis) -> None:
    """Markup in a name is escaped, and a bar in it begins no new column."""
    page = diagnosis_markdown(hostile)
    assert "<script>" not in page
    table = [line.replace("\\|", "") for line in page.splitlines() if line.startswith("|")]
    assert {line.count("|") for line in table} == {len(COLUMNS) + 1}


def test_json_keeps_the_name_as_it_is(hostile: Diagnosis) -> None:
    """JSON has its own escapes; its readers get the name back unchanged."""
    assert json.loads(diagnosis_json(hostile))["devices"][0]["name"] == HOSTILE


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_the_page_keeps_to_the_width(width: int) -> None:
    """No line is wider than the terminal; state, device and why stay in the table."""
    page = diagnosis_page(diagnosed(SAMPLE, "zone 3"), width)
    assert max(len(line) for line in page.splitlines()) <= width
    assert "zone 3 192.0.2.53/1" in page
    assert "device-unreachable !" in page


def test_columns_go_from_the_right() -> None:
    """The narrower the terminal, the fewer columns, the last ones first."""
    made = diagnosed(SAMPLE, "zone 3")
    assert "p99" in diagnosis_page(made, 200)
    assert "p99" not in diagnosis_page(made, 80)
    assert "silence" in diagnosis_page(made, 80)
