"""Two recordings in, what changed out: what is real stands out, what is not does not, and too little is said to be."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from mbsniff.compare import Comparison, Row, compare
from mbsniff.compare.catalogue import BY_KEY, EVENTS_OF_FINDING, FIGURES
from mbsniff.compare.drafts import drafts
from mbsniff.compare.judge import level, rows
from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.site import load_site
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.compare.made import S, diagnosed, drawn, polled, read, recorded
from tests.diagnose.built import every, master

SAMPLES = Path(__file__).parents[2] / "samples"


def sampled(before: str, after: str) -> Comparison:
    """Two of the samples, with their site file."""
    site = load_site(str(SAMPLES / "oven.toml"))
    return compare(read([SAMPLES / before], site), read([SAMPLES / after], site))


def row_of(comparison: Comparison, key: str) -> Row:
    """A figure of the only device."""
    (device,) = comparison.devices
    return device.row(key)


def test_a_recording_against_itself_says_that_nothing_changed() -> None:
    """No figure stands out, no finding is new or gone, and it is said that they are the same time."""
    for name in ("healthy-shift.pcap", "link-down.pcap"):
        made = sampled(name, name)
        assert not [row for device in made.devices for row in device.rows if row.stands_out]
        assert {finding.change for finding in made.findings} <= {"unchanged"}
        assert not made.fault_got_worse
        assert "in common" in made.doubts[0]
        assert all(row.change in (0, None) for device in made.devices for row in device.rows)


def test_the_recipe_terminal_is_seen() -> None:
    """samples/README.md: reads go from 1.25 to 4.73 a second in its second half; the limit's finding is new."""
    made = sampled("healthy-shift.pcap", "recipe-terminal.pcapng.gz")
    assert len(made.devices) == 6
    for device in made.devices:
        assert device.row("reads_per_s").outcome == "higher"
        assert device.row("busiest_second").outcome == "higher"
        assert device.row("unanswered_share").why == "none in either"
    assert {(f.code, f.change) for f in made.findings} == {("masters-sum-over", "new")}
    assert made.fault_got_worse


def test_one_outage_may_be_chance() -> None:
    """A single outage in 90 s is a new fault, but says nothing about how often there is one."""
    made = sampled("healthy-shift.pcap", "link-down.pcap")
    due = next(f for f in made.findings if f.code == "watchdog-due")
    assert (due.change, due.clear, due.before, due.after) == ("new", False, 0, 1)
    zone = made.devices[0]
    assert (zone.name, zone.after.state) == ("zone 3", "due")
    assert zone.row("watchdog_due_per_h").outcome == "not clear"
    assert zone.row("longest_silence").outcome == "not clear"
    back = sampled("link-down.pcap", "healthy-shift.pcap")
    assert {f.change for f in back.findings} == {"gone"}
    assert not back.fault_got_worse


def test_a_faster_poll_stands_out() -> None:
    """Twice as many reads, and half as long silences."""
    made = compare(diagnosed(polled(0.5)), diagnosed(polled(0.25)))
    assert row_of(made, "requests_per_s").outcome == "higher"
    assert row_of(made, "requests_per_s").change == pytest.approx(2, abs=0.05)
    assert row_of(made, "registers_per_s").before == pytest.approx(2, abs=0.05)
    assert row_of(made, "longest_silence").outcome == "better"
    assert row_of(made, "margin").outcome == "better"
    assert row_of(made, "spare_polls").after == 11
    assert row_of(made, "reply_median").outcome == "same"


def test_a_trivial_change_is_not_called_real() -> None:
    """A reply that always takes 0.2 ms longer is measured exactly, and still too little to matter."""
    made = compare(diagnosed(polled()), diagnosed(polled(reply_s=0.0102)))
    row = row_of(made, "reply_median")
    assert row.interval is not None and row.interval[0] > 0
    assert (row.outcome, row.matters) == ("same", False)
    slower = row_of(compare(diagnosed(polled()), diagnosed(polled(reply_s=0.02))), "reply_median")
    assert slower.outcome == "worse"


def test_too_short_to_tell() -> None:
    """Five seconds are no eight blocks of two cycles."""
    made = compare(diagnosed(polled(until_s=5), until_s=5), diagnosed(polled(0.25, until_s=5), until_s=5))
    row = row_of(made, "requests_per_s")
    assert row.outcome == "cannot tell"
    assert row.why == "too short before and after: fewer than 8 stretches of 1 s"
    assert row.interval is None
    assert row.before is not None and row.after is not None


def slow_now_and_then(until_s: float) -> Plant:
    """A device that is read every half second; each 200 s one read is left out."""
    plant = Plant()
    times = [t for t in every(0.5, 0, until_s) if t % 200 != 150]
    poll(master(plant), times, reply_s=0.01)
    return plant


def test_maxima_are_those_of_equal_spans() -> None:
    """Six times as much of the same process has no longer silence and no busier second, as compared."""
    short, long = diagnosed(polled(), until_s=60), diagnosed(slow_now_and_then(360), until_s=360)
    assert long.figures.devices[0].silences.longest.length_ns == 1 * S  # type: ignore[union-attr]
    made = compare(short, long)
    row = row_of(made, "longest_silence")
    assert row.before == row.after == 0.5 * S
    assert row.outcome == "same"
    assert not [r for r in made.devices[0].rows if r.stands_out]


def exceptions(share: int, until_s: float = 600) -> Plant:
    """A device that is read once a second; every ``share``-th read is answered with an exception (0: none)."""
    plant = Plant()
    link = master(plant)
    for second in range(round(until_s)):
        bad = share and second % share == share // 2
        poll(link, [second], first=second + 1, reply=bytes.fromhex("8302" if bad else "03020007"))
    return plant


def test_events_are_told_per_hour() -> None:
    """From 60 exceptions in ten minutes to none: 360 an hour less, and not by chance; the finding is gone."""
    made = compare(diagnosed(exceptions(10), until_s=600), diagnosed(exceptions(0), until_s=600))
    row = row_of(made, "exceptions_per_h")
    assert row.before == pytest.approx(360, abs=1)
    assert (row.after, row.outcome) == (0, "better")
    assert row.interval is not None and row.interval[1] < 0.2
    gone = next(f for f in made.findings if f.code == "exception-reply")
    assert (gone.change, gone.clear) == ("gone", True)


def test_events_in_unequal_time_are_the_same_rate() -> None:
    """One in ten for ten minutes and for twenty: twice as many, the same rate."""
    made = compare(diagnosed(exceptions(10), until_s=600), diagnosed(exceptions(10, 1200), until_s=1200))
    row = row_of(made, "exceptions_per_h")
    assert not row.stands_out
    assert {f.change for f in made.findings if f.code == "exception-reply"} == {"unchanged"}


def test_a_device_that_fell_silent() -> None:
    """Without any reply after, reply times cannot be compared, and the missing ones stand out."""
    plant = Plant()
    poll(master(plant), every(1, 0, 120), reply_s=None)
    made = compare(diagnosed(polled(1, 120), until_s=120), diagnosed(plant, until_s=120))
    assert row_of(made, "unanswered_share").outcome == "worse"
    assert row_of(made, "reply_median").outcome == "cannot tell"
    assert row_of(made, "reply_median").why == "nothing to measure after"
    assert any(f.code == "no-reply" and f.change == "new" and f.clear for f in made.findings)


def test_an_address_that_changed_is_the_same_device() -> None:
    """The site's name says which device it is."""
    made = compare(diagnosed(polled()), diagnosed(polled(device=60), device="192.0.2.60"))
    (device,) = made.devices
    assert device.moved
    assert device.before.figures.address == "192.0.2.50"
    assert device.after.figures.address == "192.0.2.60"
    assert not made.only_before + made.only_after


def test_devices_in_one_recording_are_listed() -> None:
    """Neither matched by name nor by address: listed, and their findings are told as such."""
    plant = polled(device=60)
    before = dataclasses.replace(diagnosed(exceptions(10, 60)))
    made = compare(before, diagnosed(plant))
    assert [v.figures.key for v in made.only_before] == ["192.0.2.50:502/1"]
    assert [v.figures.key for v in made.only_after] == ["192.0.2.60:502/1"]
    gone = next(f for f in made.findings if f.code == "exception-reply")
    assert (gone.change, gone.clear) == ("gone", None)
    assert gone.why == "the device is not in the recording after"


def test_before_that_came_after_is_told() -> None:
    """Recordings in the wrong order are compared as asked, with a doubt."""
    made = sampled("link-down.pcap", "healthy-shift.pcap")
    assert "later than the one called after" in made.doubts[0]


def false_alarms(runs: int, requests: int, phi: float, devices: int = 6) -> tuple[float, float]:
    """(share of comparisons of two recordings of the same process in which anything stands out, share of rows)."""
    rng = np.random.default_rng(21)
    alarmed = alarms = told = 0
    for _ in range(runs):
        made = []
        for _ in range(devices):
            pair = [recorded(drawn(rng, requests, phi=phi, lost=0.01), requests * S // 20) for _ in range(2)]
            made.append(drafts(*pair))
        alpha = level(draft for own in made for draft in own)
        outcomes = [row.stands_out for own in made for row in rows(own, alpha)]
        alarms += sum(outcomes)
        told += len(outcomes)
        alarmed += any(outcomes)
    return alarmed / runs, alarms / told


def test_the_same_process_rarely_alarms() -> None:
    """Six devices, recorded twice: at most about 1 comparison in 20 calls anything changed."""
    alarmed, share = false_alarms(40, 1000, 0.8)
    assert alarmed <= 0.1
    assert share <= 0.002


def test_a_real_change_is_found_all_the_same() -> None:
    """Reply times that are half as long again stand out in every run."""
    rng = np.random.default_rng(22)
    for _ in range(20):
        pair = [recorded(drawn(rng, 1000, phi=0.8, slower=x), 50 * S) for x in (1.0, 1.5)]
        own = drafts(*pair)
        made = {row.figure.key: row.outcome for row in rows(own, level(own))}
        assert made["reply_median"] == "worse"
        assert made["requests_per_s"] == "same"


def test_the_tables_hold_together() -> None:
    """Each figure's key is its own, what it follows exists, and findings are known ones."""
    assert len(BY_KEY) == len(FIGURES)
    assert {f.judged_by for f in FIGURES if f.kind == "worst"} <= BY_KEY.keys()
    assert EVENTS_OF_FINDING.keys() <= BY_CODE.keys()
    assert {key for key in EVENTS_OF_FINDING.values() if key} <= BY_KEY.keys()


def test_the_same_every_time() -> None:
    """The same two recordings give the same comparison, whatever was compared before."""
    one = sampled("link-down.pcap", "block-edge.pcap")
    sampled("healthy-shift.pcap", "plc-silent.pcapng")
    other = sampled("link-down.pcap", "block-edge.pcap")
    assert [d.rows for d in one.devices] == [d.rows for d in other.devices]
    assert one.findings == other.findings


def test_a_clock_that_jumps_by_decades() -> None:
    """A recording a million times as long as the other is cut into few blocks, and nothing can be told."""
    plant = polled()
    poll(master(plant, port=49999), [50 * 365 * 86400.0])
    made = compare(diagnosed(polled()), diagnosed(plant))
    assert made.devices[0].blocks[1] <= 50_000
    assert row_of(made, "requests_per_s").outcome == "cannot tell"


def test_a_recording_without_frames_or_requests() -> None:
    """Nothing recorded is nothing to compare, and said."""
    nothing = Plant()
    made = compare(diagnosed(nothing), diagnosed(polled()))
    assert not made.devices
    assert len(made.only_after) == 1
