"""The page of a checked site file, and the page of keys."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.report.site_keys import keys_page
from mbsniff.report.site_page import site_page
from mbsniff.site import Device, Limits, Site, load_site
from mbsniff.site.keys import REGISTER_TABLE, TABLES

SAMPLES = Path(__file__).parents[2] / "samples"


def test_the_page_of_keys_is_the_one_beside_the_sample() -> None:
    """samples/site-keys.md is what `mbsniff site --keys` prints."""
    assert (SAMPLES / "site-keys.md").read_text(encoding="utf-8") == keys_page()


def test_every_key_is_on_the_page() -> None:
    """Each key of every table has a row, and rows have three columns."""
    page = keys_page()
    rows = [line for line in page.splitlines() if line.startswith("| `")]
    for table in (*TABLES, REGISTER_TABLE):
        for key in table.keys:
            assert any(row.startswith(f"| `{key.name}`") and key.meaning in row for row in rows), key.name
    assert {row.count("|") for row in rows} == {4}


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_the_page_keeps_to_the_width(width: int) -> None:
    """No line is wider than the terminal; device and timeout stay in the table."""
    page = site_page(load_site(str(SAMPLES / "oven.toml")), width)
    assert max(len(line) for line in page.splitlines()) <= width
    rows = [line for line in page.splitlines() if line.startswith("zone ")]
    assert len(rows) == 6 and all("  3 s" in row for row in rows)


def test_what_is_open_is_told_with_the_devices_where_it_is() -> None:
    """A key that only one device lacks names it; one that all lack is open everywhere."""
    known = Device("zone 1", "192.0.2.51", limits=Limits(watchdog_ns=3 * 10**9))
    page = site_page(Site(devices=(known, Device("zone 2", "192.0.2.52", units=(1, 2)))), 120)
    assert "  watchdog_s, at zone 2: whether its watchdog was due." in page
    assert "  max_block, everywhere: the length of reads." in page
    assert "zone 2 192.0.2.52/1,2" in page


def test_names_do_not_act() -> None:
    """Controls in a name or path are spelt out, whatever made the site."""
    site = Site(devices=(Device("red\x1b[31m", "2001:db8::51", 1502, family="\x07"),), path="a\x1b[2J.toml")
    page = site_page(site, 120)
    assert "\x1b" not in page and "\x07" not in page
    assert "red\\x1b[31m [2001:db8::51]:1502" in page


def test_sites_without_devices() -> None:
    """Defaults alone are a site file too."""
    assert "Without devices only its defaults are used." in site_page(Site(path="x.toml"), 120)
