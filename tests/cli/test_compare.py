"""`mbsniff compare` as it is called: status, output, and one line for whatever is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.run import mbsniff

HEALTHY, DOWN = "samples/healthy-shift.pcap", "samples/link-down.pcap"
SITE = ("--site", "samples/oven.toml")


def test_a_new_fault_is_status_1() -> None:
    """Healthy, then an outage: 1; the other way round, and against itself: 0."""
    run = mbsniff("compare", HEALTHY, DOWN, *SITE)
    assert (run.status, run.err) == (1, "")
    assert "new: fault watchdog-due" in run.out
    assert mbsniff("compare", DOWN, HEALTHY, *SITE).status == 0
    same = mbsniff("compare", DOWN, DOWN, *SITE)
    assert same.status == 0
    assert "Nothing changed that stands out." in same.out
    assert "unchanged: fault watchdog-due" in same.out


def test_without_limits_nothing_is_held_against_a_device() -> None:
    """No watchdog is stated: an outage is told by its figures, and no watchdog row is there."""
    run = mbsniff("compare", HEALTHY, DOWN, "--format", "json")
    figures = {f["figure"] for d in json.loads(run.out)["devices"] for f in d["figures"]}
    assert "longest_silence" in figures
    assert not figures & {"margin", "spare_polls", "watchdog_due_per_h"}
    limited = mbsniff("compare", HEALTHY, DOWN, "--watchdog", "3s", "--format", "json")
    figures = {f["figure"] for d in json.loads(limited.out)["devices"] for f in d["figures"]}
    assert {"margin", "spare_polls", "watchdog_due_per_h"} <= figures


def test_the_site_file_before_may_be_another(tmp_path: Path) -> None:
    """Names that stood at other addresses before join devices that moved."""
    site = tmp_path / "before.toml"
    site.write_text(
        '[[device]]\nname = "zone 1"\naddress = "192.0.2.52"\n\n[[device]]\nname = "zone 2"\naddress = "192.0.2.51"\n'
    )
    run = mbsniff("compare", HEALTHY, HEALTHY, *SITE, "--site-before", str(site), "--format", "json")
    devices = {d["name"]: d for d in json.loads(run.out)["devices"]}
    assert devices["zone 1"]["device_before"] == "192.0.2.52:502/1"
    assert devices["zone 1"]["device"] == "192.0.2.51:502/1"


def test_one_may_be_standard_input() -> None:
    """BEFORE through a pipe gives the same figures."""
    data = Path(HEALTHY).read_bytes()
    piped = mbsniff("compare", "-", DOWN, *SITE, "--format", "csv", stdin=data)
    assert piped.out == mbsniff("compare", HEALTHY, DOWN, *SITE, "--format", "csv").out


@pytest.mark.parametrize("form", ["table", "json", "csv", "markdown"])
def test_output_is_the_same_every_time(form: str) -> None:
    """Each format, twice."""
    runs = [mbsniff("compare", DOWN, "samples/block-edge.pcap", *SITE, "--format", form) for _ in range(2)]
    assert runs[0] == runs[1]
    assert runs[0].out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([HEALTHY], ["AFTER"]),
        ([HEALTHY, DOWN, DOWN], ["link-down"]),
        (["-", "-"], ["standard input"]),
        ([HEALTHY, "missing.pcap"], ["missing.pcap"]),
        ([HEALTHY, DOWN, "--site-before", "missing.toml"], ["missing.toml"]),
        ([HEALTHY, DOWN, "--watchdog", "soon"], ["--watchdog", "soon"]),
    ],
)
def test_bad_input_gets_one_line_and_status_2(arguments: list[str], says: list[str]) -> None:
    """What is wrong, on standard error, and nothing on output."""
    run = mbsniff("compare", *arguments)
    assert (run.status, run.out) == (2, "")
    assert len(run.err.splitlines()) == 1, run.err
    assert all(part in run.err for part in says), run.err
