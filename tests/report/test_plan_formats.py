"""The plan as page, CSV, TOML and JSON: complete, alike, readable by other programs, and inert."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from dataclasses import replace

import pytest

from mbsniff.plan import Plan, plan_polls
from mbsniff.report.plan_json import plan_json
from mbsniff.report.plan_page import plan_page
from mbsniff.report.plan_sheets import FIELDS, plan_csv, plan_toml
from mbsniff.site import Master, Register
from tests.plan.line import PLC, SECOND, STATION, site_of

EVIL = '=cmd|"\x1b[31m\n\\ <b>| \u202e\x7f'


@pytest.fixture(scope="module")
def plan() -> Plan:
    """Two polls of a device, names with everything that could act in an output."""
    registers = (
        Register(EVIL, first=0, period_ns=SECOND),
        Register("hole", first=1, access="none", period_ns=SECOND),
        Register("trips", first=4, period_ns=5 * SECOND, masters=(STATION,)),
    )
    site = site_of(*registers, max_reads_per_s=4, watchdog_s=3)
    device = replace(site.devices[0], name=EVIL)
    return plan_polls(None, replace(site, devices=(device,), masters=(Master(EVIL, (PLC,)),)))


def test_toml_says_the_same_as_json(plan: Plan) -> None:
    """Python's own TOML reader gives back each poll as JSON has it, names to the last character."""
    from_toml = tomllib.loads(plan_toml(plan))
    from_json = json.loads(plan_json(plan))["polls"]
    assert from_toml["schema"] == 1
    assert from_toml["poll"] == [{k: v for k, v in p.items() if v is not None} for p in from_json]
    assert from_toml["poll"][0]["device_name"] == EVIL


def test_csv_has_a_line_a_poll(plan: Plan) -> None:
    """The columns are the names of the JSON, the numbers those of the plan."""
    lines = list(csv.DictReader(io.StringIO(plan_csv(plan))))
    assert tuple(lines[0]) == FIELDS
    assert [(line["master"], line["first"], line["count"], float(line["period_s"])) for line in lines] == [
        (PLC, "0", "1", 1.0),
        (STATION, "4", "1", 5.0),
    ]


def test_names_do_not_act_in_any_format(plan: Plan) -> None:
    """No escape reaches a terminal, no formula a spreadsheet, no line break a comment of the TOML."""
    page, sheet, toml = plan_page(plan, 120), plan_csv(plan), plan_toml(plan)
    for text in (page, sheet, toml, plan_json(plan)):
        assert not set(text) & set("\x1b\x7f\u202e\r")
    assert all(not cell.startswith("=") for line in csv.reader(io.StringIO(sheet)) for cell in line)
    comments = [line for line in toml.splitlines() if line.startswith("#")]
    assert any("Not as wished" in line for line in comments)


@pytest.mark.parametrize("width", [80, 120])
def test_the_page_keeps_to_the_width(width: int) -> None:
    """With ordinary names every line fits, the figures' columns going last first."""
    registers = [Register(f"value {n}", first=20 * n, period_ns=SECOND // 5) for n in range(3)]
    site = site_of(*registers, max_reads_per_s=4, watchdog_s=3)
    page = plan_page(plan_polls(None, site), width)
    assert max(len(line) for line in page.splitlines()) <= width
    assert "3 polls of 1 device:" in page
    assert "(wanted 200 ms)" in page
    assert "qualified" in page


def test_an_empty_plan_says_so() -> None:
    """Nothing to plan is a sentence, in every format readable."""
    nothing = plan_polls(None, site_of())
    assert plan_page(nothing, 80).startswith("Nothing to plan")
    assert tomllib.loads(plan_toml(nothing)) == {"schema": 1}
    assert plan_csv(nothing).strip() == ",".join(FIELDS)
    assert json.loads(plan_json(nothing))["polls"] == []
