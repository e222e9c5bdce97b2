"""`mbsniff audit` as a user calls it: exit status, formats, standard input, wrong calls."""

from __future__ import annotations

import json
from xml.etree import ElementTree as ET

import pytest

from tests.cli.run import ROOT, mbsniff

SITE = ("--site", "samples/oven.toml")


def test_all_met_is_0_and_something_not_met_is_1() -> None:
    """The exit status tells automation."""
    assert mbsniff("audit", "samples/healthy-shift.pcap", *SITE).status == 0
    run = mbsniff("audit", "samples/recipe-terminal.pcapng.gz", *SITE)
    assert (run.status, run.err) == (1, "")
    assert "recipe terminal (192.0.2.30) is not among them" in run.out


@pytest.mark.parametrize("form", ["markdown", "csv", "json", "junit"])
def test_every_format(form: str) -> None:
    """Each can be read by what it is for."""
    run = mbsniff("audit", "samples/link-down.pcap", *SITE, "--format", form)
    assert run.status == 1 and run.err == ""
    if form == "json":
        assert json.loads(run.out)["schema"] == 1
    elif form == "junit":
        assert ET.fromstring(run.out.encode()).tag == "testsuites"
    else:
        assert run.out.startswith("# Audit" if form == "markdown" else "verdict,")


def test_standard_input_leaves_open_what_needs_a_second_look() -> None:
    """What only replies tell cannot be told from a pipe, and nothing else changes."""
    data = (ROOT / "samples/healthy-shift.pcap").read_bytes()
    run = mbsniff("audit", "-", *SITE, "--format", "json", stdin=data)
    assert run.status == 0
    open_ = {r["code"] for r in json.loads(run.out)["results"] if r["verdict"] == "cannot be told"}
    assert open_ == {"never-tripped", "writes-echoed", "hardware-address"}


def test_limits_from_the_command_line() -> None:
    """Without a site file the options state limits."""
    run = mbsniff("audit", "samples/block-edge.pcap", "--max-block", "16", "--format", "csv")
    assert run.status == 1
    assert "not met,block-size" in run.out


def test_wrong_calls() -> None:
    """One clear line and status 2."""
    run = mbsniff("audit", "samples/link-down.pcap", "--format", "xml")
    assert run.status == 2 and "junit" in run.err and len(run.err.splitlines()) == 1
    assert mbsniff("audit").status == 2
    assert mbsniff("audit", "samples/none.pcap").status == 2
