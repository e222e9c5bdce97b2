"""`mbsniff writes` as a user runs it: statuses, choices, formats, a pipe."""

from __future__ import annotations

import csv
import io
import json

from tests.cli.run import ROOT, mbsniff

SHIFT, SITE = "samples/healthy-shift.pcap", ("--site", "samples/oven.toml")


def test_a_healthy_shift() -> None:
    """The recipes of samples/README.md change at 22, 40, 57 and 74 s: four changes a zone, and no fault."""
    done = mbsniff("writes", SHIFT, *SITE, "--format", "json")
    told = json.loads(done.out)
    assert done.status == 0
    assert [(r["name"], r["changed"]) for r in told["registers"]] == [(f"zone {z}", 4) for z in range(1, 7)]
    assert {j["level"] for j in told["judgements"]} == {"remark"}


def test_one_device_and_register() -> None:
    """Only its writes, in time order, with the values of the recipe in degrees."""
    done = mbsniff("writes", SHIFT, *SITE, "--device", "zone 4", "--register", "setpoint", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(done.out)))
    assert [row["value"] for row in rows] == ["235.0", "245.0", "210.0", "250.0", "235.0"]
    assert {row["master_name"] for row in rows} == {"oven PLC"}


def test_a_choice_that_is_not_there() -> None:
    """One line that names what there is."""
    for choice, known in (("--device", "zone 1"), ("--register", "setpoint")):
        done = mbsniff("writes", SHIFT, *SITE, choice, "zone\x1b 9")
        assert (
            done.status == 2
            and known in done.err
            and len(done.err.splitlines()) == 1
            and "\x1b" not in done.err
        )


def test_a_pipe_cannot_be_looked_at_twice() -> None:
    """What was written is told all the same, and what is not told is said."""
    done = mbsniff("writes", "-", *SITE, stdin=(ROOT / SHIFT).read_bytes())
    assert done.status == 0
    assert "cannot be told" in done.out and "210 °C" in done.out


def test_markdown_begins_with_its_title() -> None:
    """A page of its own."""
    assert mbsniff("writes", SHIFT, *SITE, "--format", "markdown").out.startswith("# Writes\n")
