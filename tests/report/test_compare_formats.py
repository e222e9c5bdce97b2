"""A comparison as page, Markdown, CSV and JSON: the same figures, within the width, and names that never act."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from mbsniff.compare import Comparison, compare
from mbsniff.report.compare_cells import COLUMNS, change, interval, value
from mbsniff.report.compare_json import comparison_json
from mbsniff.report.compare_sheets import comparison_csv, comparison_markdown
from mbsniff.report.compare_table import comparison_page
from mbsniff.site import Site, load_site
from mbsniff.site.limits import Device, Limits
from tests.compare.made import read
from tests.report.test_inert import HOSTILE

SAMPLES = Path(__file__).parents[2] / "samples"


def compared(site: Site, before: str = "healthy-shift.pcap", after: str = "link-down.pcap") -> Comparison:
    """Two samples held against each other."""
    return compare(read([SAMPLES / before], site), read([SAMPLES / after], site))


@pytest.fixture(scope="module")
def outage() -> Comparison:
    """Healthy against link-down."""
    return compared(load_site(str(SAMPLES / "oven.toml")))


@pytest.fixture(scope="module")
def hostile() -> Comparison:
    """The same with a name for zone 3 that tries to act."""
    limits = Limits(watchdog_ns=3 * 10**9)
    return compared(Site(devices=(Device(f"\x1b[31m{HOSTILE}", "192.0.2.53", units=(1,), limits=limits),)))


@pytest.mark.parametrize("width", [80, 100, 120, 200])
@pytest.mark.parametrize("every", [False, True])
def test_the_page_keeps_to_the_width(outage: Comparison, width: int, every: bool) -> None:
    """No line is wider than the terminal; state, device and silence stay in the table."""
    page = comparison_page(outage, width, every=every)
    assert max(len(line) for line in page.splitlines()) <= width
    assert "fine → due  zone 3 192.0.2.53/1" in page
    assert "1.01 → 9.87 s ~" in page


def test_the_page_tells_what_matters_first(outage: Comparison) -> None:
    """The device that fell is first, and figures that stay the same are only told when asked for."""
    page = comparison_page(outage, 120)
    assert page.index("zone 3") < page.index("zone 1")
    assert "reply time, p99" not in page
    assert "reply time, p99" in comparison_page(outage, 120, every=True)
    assert (
        "new: fault watchdog-due (device-unreachable), zone 3 (192.0.2.53:502/1) (so few may be chance)"
        in page
    )


def test_values_carry_their_units(outage: Comparison) -> None:
    """Seconds, milliseconds, shares and points, and times as often."""
    zone = outage.devices[0]
    told = {r.figure.key: (value(r.figure, r.before), value(r.figure, r.after), change(r)) for r in zone.rows}
    assert told["longest_silence"] == ("1.01 s", "9.87 s", "+8.86 s")
    assert told["unanswered_share"] == ("0 %", "1.05 %", "+1.05 points")
    assert told["margin"] == ("0.66", "−2.29", "−2.95")
    assert told["watchdog_due_per_h"] == ("0/h", "40/h", "+40/h")
    assert interval(zone.row("watchdog_due_per_h")).startswith("× 0.")
    assert interval(zone.row("watchdog_due_per_h")).endswith(" to any")


def test_json_has_every_figure(outage: Comparison) -> None:
    """The names that DEVELOPERS.md tells, values as in the diagnosis of each recording."""
    made = json.loads(comparison_json(outage))
    assert made.keys() == {
        "schema", "before", "after", "confidence", "doubts", "only_before", "only_after", "devices", "findings",
        "fault_got_worse",
    }  # fmt: skip
    zone = made["devices"][0]
    figures = {figure["figure"]: figure for figure in zone["figures"]}
    assert (zone["device"], zone["state_before"], zone["state_after"]) == ("192.0.2.53:502/1", "fine", "due")
    silence = outage.after.figures.devices[2].silences.longest
    assert silence is not None
    assert figures["longest_silence"]["after"] == pytest.approx(silence.length_ns / 1e9, abs=1e-9)
    assert figures["longest_silence"]["unit"] == "s"
    assert figures["reply_median"]["unit"] == "ms"
    assert figures["reply_median"]["interval"][0] < 0 < figures["reply_median"]["interval"][1]
    assert figures["watchdog_due_per_h"]["ratio_interval"][1] is None
    assert made["findings"][0]["clear"] is False
    assert made["fault_got_worse"] is True


def test_csv_has_a_line_a_figure(outage: Comparison) -> None:
    """As many lines as figures, with the JSON's values."""
    lines = list(csv.DictReader(io.StringIO(comparison_csv(outage))))
    made = json.loads(comparison_json(outage))
    figures = [figure for device in made["devices"] for figure in device["figures"]]
    assert [line["figure"] for line in lines] == [figure["figure"] for figure in figures]
    assert [float(line["before"]) for line in lines] == [figure["before"] for figure in figures]
    assert lines[0]["name"] == "zone 3"


def test_markdown_has_the_tables(outage: Comparison) -> None:
    """Devices, figures, findings."""
    page = comparison_markdown(outage)
    assert page.startswith("# Comparison\n\nBefore: ")
    assert "## Figures" in page and "## Findings" in page
    assert "zone 3 192.0.2.53/1" in page


def test_names_do_not_act(hostile: Comparison) -> None:
    """No terminal control, no HTML, no formula; JSON gives the name back as it is."""
    name = f"\x1b[31m{HOSTILE}"
    assert "\x1b" not in comparison_page(hostile, 120, every=True)
    markdown = comparison_markdown(hostile, every=True)
    assert "<script>" not in markdown and "\x1b" not in markdown
    lines = [line.replace("\\|", "") for line in markdown.splitlines() if line.startswith("|")]
    assert {line.count("|") for line in lines} == {len(COLUMNS) + 1, 8}
    rows = list(csv.DictReader(io.StringIO(comparison_csv(hostile))))
    assert all(not (cell or "").startswith(("=", "+", "@", "\x1b")) for row in rows for cell in row.values())
    assert json.loads(comparison_json(hostile))["devices"][0]["name"] == name


def test_nothing_in_common_is_said() -> None:
    """Recordings that share no device are no error."""
    site = load_site(str(SAMPLES / "oven.toml"))
    one = read([SAMPLES / "healthy-shift.pcap"], site)
    other = read([SAMPLES / "link-down.pcap"], Site(devices=tuple(
        Device(f"other {n}", f"192.0.2.{n}", units=(1,)) for n in range(51, 57)
    )))  # fmt: skip
    page = comparison_page(compare(one, other), 120)
    assert "Nothing to compare: no device is in both recordings." in page
    assert "Only before: zone 1 (192.0.2.51:502/1)" in page
    assert "Only after: other 51 (192.0.2.51:502/1)" in page
