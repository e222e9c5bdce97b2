"""`mbsniff story` as a user runs it: statuses, errors, formats, the drill."""

from __future__ import annotations

import hashlib
import json

from tests.cli.run import ROOT, mbsniff

DOWN, SITE = "samples/link-down.pcap", ("--site", "samples/oven.toml")


def test_the_link_down_sample() -> None:
    """One screen that says who, when, why, how it came back, and what the wire cannot show; status 1."""
    done = mbsniff("story", DOWN, *SITE)
    assert done.status == 1 and done.err == ""
    assert len(done.out.splitlines()) <= 30
    for told in (
        "zone 3",
        "11:46:20.196",
        "device-unreachable",
        "Recovery:",
        "The wire cannot show:",
        "frame 1391",
    ):
        assert told in done.out


def test_a_moment_as_an_alarm_list_gives_it() -> None:
    """Local time of the zone given; a moment in which nothing was wrong ends with status 0."""
    alarm = ("--at", "12:46", "--device", "zone 3", "--timezone", "Europe/Vienna")
    done = mbsniff("story", DOWN, *SITE, *alarm)
    assert done.status == 1 and "12:46:20.196" in done.out and "(CET, UTC+01:00)" in done.out
    fine = mbsniff("story", DOWN, *SITE, "--at", "11:45:50", "--device", "zone 1")
    assert fine.status == 0 and "fed in time" in fine.out


def test_the_computers_own_time_zone() -> None:
    """Without --timezone times are local ones."""
    assert "06:46:20.196" in mbsniff("story", DOWN, *SITE, TZ="America/New_York").out


def test_one_line_for_each_wrong_question() -> None:
    """Status 2, one line on standard error, nothing on standard output."""
    for wrong in (
        ("--device", "zone\x1b 9"),
        ("--at", "soon"),
        ("--at", "02:13", "--device", "zone 3"),
        ("--timezone", "Mars"),
        ("--incident", "9"),
        ("--incident", "1", "--at", "11:46"),
    ):
        done = mbsniff("story", DOWN, *SITE, *wrong)
        assert (done.status, done.out, len(done.err.splitlines())) == (2, "", 1), wrong
        assert "\x1b" not in done.err


def test_nothing_to_tell() -> None:
    """A healthy recording: one line, status 0."""
    done = mbsniff("story", "samples/healthy-shift.pcap", *SITE)
    assert (done.status, len(done.out.splitlines())) == (0, 1)
    nothing = mbsniff("story", "samples/healthy-shift.pcap", *SITE, "--format", "json")
    assert json.loads(nothing.out)["story"] is None


def test_formats() -> None:
    """Markdown is a page of its own; JSON has every step."""
    assert mbsniff("story", DOWN, *SITE, "--format", "markdown").out.startswith("# What happened to zone 3")
    told = json.loads(mbsniff("story", DOWN, *SITE, "--format", "json").out)
    kinds = [step["kind"] for step in told["steps"]]
    assert (
        kinds[0] == "last-healthy" and "fell-back" in kinds and told["cause"]["cause"] == "device-unreachable"
    )


def test_a_pipe_is_told_as_far_as_it_goes() -> None:
    """Status registers cannot be read from it; all else can."""
    done = mbsniff("story", "-", *SITE, stdin=(ROOT / DOWN).read_bytes())
    assert done.status == 1 and "second time" in done.out.replace("\n  ", " ")


def test_the_drill() -> None:
    """The record, with the digests of what it rests on; status 0 where it passed, 1 where not, 2 without a timeout."""
    done = mbsniff("story", DOWN, *SITE, "--drill")
    assert done.status == 0 and "Result: passed" in done.out
    for path in (DOWN, SITE[1]):
        assert hashlib.sha256((ROOT / path).read_bytes()).hexdigest() in done.out
    assert mbsniff("story", "samples/healthy-shift.pcap", *SITE, "--drill").status == 1
    bare = mbsniff("story", DOWN, "--drill", "--device", "192.0.2.53")
    assert bare.status == 2 and "--watchdog" in bare.err
    told = json.loads(mbsniff("story", DOWN, *SITE, "--drill", "--format", "json").out)
    assert told["drill"]["outcome"] == "pass" and told["files"][0]["sha256"]
