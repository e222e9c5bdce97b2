"""`mbsniff plan` as a user meets it: output, standard error and exit status."""

from __future__ import annotations

import json
import tomllib

from tests.cli.run import mbsniff

SITE = ("--site", "samples/oven.toml")
TERMINAL = "samples/recipe-terminal.pcapng.gz"


def test_the_visitor_is_left_out_and_the_rest_keeps_to_the_limits() -> None:
    """The recipe terminal is not among the masters of the site file: without it 1.4 reads a second are left of 4.73."""
    run = mbsniff("plan", TERMINAL, *SITE, "--format", "json")
    plan = json.loads(run.out)
    assert (run.status, run.err) == (0, "")
    assert {(p["master"], p["first"], p["count"], p["period_s"]) for p in plan["polls"]} == {
        ("192.0.2.10", 0, 16, 1.0),
        ("192.0.2.20", 0, 8, 2.5),
    }
    assert len(plan["polls"]) == 12
    for device in plan["devices"]:
        assert round(device["before"]["reads_per_s"], 2) in (4.73, 4.74)
        assert device["after"]["reads_per_s"] == 1.4
        assert device["after"]["busiest_second_reads"] <= 4
    assert "recipe terminal (192.0.2.30) may not read here" in plan["notes"][0]["text"]


def test_the_sum_of_all_three_masters_cannot_be_had() -> None:
    """With the limits alone, nobody is left out: the terminal's period of 1.2 s stands against the busiest second."""
    run = mbsniff("plan", TERMINAL, "--max-block", "16", "--max-reads", "4", "--watchdog", "3s")
    text = " ".join(run.out.split())
    assert run.status == 1
    assert "all 6 devices: tolerates 4 reads/s" in text
    assert "192.0.2.30 1.2 s → 4.1 s" in text
    assert "(--mean-only): 192.0.2.30 1.2 s → 1.7 s" in text


def test_one_master_reads_for_all() -> None:
    """Through the station: every register once, at the shortest period that anybody wanted, or the nearest feasible."""
    run = mbsniff("plan", TERMINAL, *SITE, "--through", "supervisory station", "--format", "toml")
    polls = [p for p in tomllib.loads(run.out)["poll"] if p["device_name"] == "zone 1"]
    assert {p["master"] for p in polls} == {"192.0.2.20"}
    assert [(p["first"], p["count"]) for p in polls] == [(0, 16), (16, 16), (32, 16), (48, 16)]
    assert [p["wanted_period_s"] for p in polls] == [1.0, 1.2, 1.2, 1.2]


def test_the_blocks_across_the_end_disappear() -> None:
    """block-edge: 96 with quantity 5 was refused on zones 2 and 5, 20 registers at once were too many on zone 6."""
    run = mbsniff("plan", "samples/block-edge.pcap", "--max-block", "16", "--format", "json")
    plan = json.loads(run.out)
    blocks = {(p["device"], p["first"], p["count"]) for p in plan["polls"]}
    assert ("192.0.2.52:502/1", 96, 4) in blocks
    assert not any(first + count > 100 or count > 16 for _, first, count in blocks)


def test_a_register_list_is_enough() -> None:
    """Without a recording: the sample site's list gives one read of 16 registers a second for each zone."""
    run = mbsniff("plan", *SITE)
    assert run.status == 0
    assert "6 polls of 6 devices" in run.out
    assert "oven PLC 192.0.2.10" in run.out


def test_a_healthy_line_needs_no_change() -> None:
    """healthy-shift: each master already reads what it wants in one block, within every limit."""
    run = mbsniff("plan", "samples/healthy-shift.pcap", *SITE, "--format", "json")
    plan = json.loads(run.out)
    assert run.status == 0
    assert {(p["first"], p["count"], p["period_s"]) for p in plan["polls"]} == {(0, 16, 1.0), (0, 8, 4.0)}
    for device in plan["devices"]:  # the same polling: what was measured is no denser than foretold
        before, after = device["before"], device["after"]
        assert before["busiest_second_reads"] <= after["busiest_second_reads"] <= 4
        assert before["busiest_ten_seconds_reads"] <= after["busiest_ten_seconds_reads"]


def test_wrong_calls_are_one_line() -> None:
    """Nothing to plan from, and a master that nobody knows: status 2, one line, no traceback."""
    for arguments, part in (
        ((), "Give captures"),
        ((*SITE, "--through", "nobody"), "no known master"),
        ((*SITE, "--keep", "nobody"), "no known master"),
    ):
        run = mbsniff("plan", *arguments)
        assert (run.status, run.out) == (2, "")
        assert part in run.err
        assert len(run.err.splitlines()) == 1
