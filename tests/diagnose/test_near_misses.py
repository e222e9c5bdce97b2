"""How often a watchdog was nearly due, when and why; what is none; feeds reckoned again against the measured ones."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from mbsniff.capture import open_recording
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.feeds import feeds_of, silence_after
from mbsniff.diagnose.near_misses import near_misses
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.site import Site
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.builders.strategies import captures
from tests.diagnose.built import codes, diagnosis, every, finding, master
from tests.diagnose.test_any_traffic import LIMITS


def gapped(*lengths: float) -> Plant:
    """A zone asked each second, with longer silences from 10, 20, 30, ... s on."""
    plant, times, now = Plant(), [], 0.0
    for k in range(60):
        times.append(now)
        longer = lengths[k // 10] if k % 10 == 9 and k // 10 < len(lengths) else 1.0
        now += longer
    poll(master(plant), times)
    return plant


def near(made: dict[str, Any]) -> dict[str, Any]:
    """The first device's own part."""
    found: dict[str, Any] = made["devices"][0]["near_misses"]
    return found


def test_counted_and_listed() -> None:
    """More than half, more than four fifths of 3 s; those within the tolerance are near misses too."""
    made = near(diagnosis(gapped(1.4, 1.6, 2.3, 2.6, 3.1)))
    assert (made["within_half"], made["within_fifth"], made["silences"], made["usual"]) == (4, 2, 59, False)
    assert [miss["silence_s"] for miss in made["worst"]] == pytest.approx([2.3, 2.6, 3.1])
    assert [miss["share"] for miss in made["worst"]] == pytest.approx([2.3 / 3, 2.6 / 3, 3.1 / 3], abs=1e-5)


def test_the_finding_is_a_remark() -> None:
    """How often and which, with frames; alone it is no reason for another state or exit status."""
    made = diagnosis(gapped(1.6, 1.8))
    found = finding(made, "near-misses")
    assert found["level"] == "remark" and found["cause"] is None
    assert "came within 50 % of its timeout (3 s) 2 times: 1.6 s from " in found["text"]
    assert len(found["evidence"]) == 4
    assert made["devices"][0]["state"] == "fine"
    once = finding(diagnosis(gapped(2.5)), "near-misses")["text"]
    assert "came within 50 % of its timeout (3 s) once, once within 20 %: 2.5 s" in once


@pytest.mark.parametrize("lengths", [(), (1.45,), (1.5,)])
def test_half_of_the_timeout_is_none(lengths: tuple[float, ...]) -> None:
    """Up to exactly half of it."""
    made = diagnosis(gapped(*lengths))
    assert near(made) is None and codes(made) == set()


def test_what_was_due_is_no_near_miss() -> None:
    """11 s was due; 2 s elsewhere was nearly."""
    made = diagnosis(gapped(11, 2))
    assert near(made)["within_half"] == 1
    assert codes(made) == {"watchdog-due", "near-misses"}


def test_parts_of_one_silence_that_may_have_been_due_are_none() -> None:
    """Requests hang unanswered every 2 s for 8 s: possibly due as a whole, and no near misses of 2 s each."""
    plant = Plant()
    link = master(plant)
    poll(link, every(1, 0, 20))
    poll(link, every(2, 21, 29), reply_s=None, first=300)
    poll(link, every(1, 29, 60), first=400)
    made = diagnosis(plant)
    assert "watchdog-due" in codes(made)
    assert near(made) is None


def test_polling_that_is_always_so_slow_is_told_otherwise() -> None:
    """Every 2 s of 3 s: close to the watchdog; each cycle counts in the JSON, without causes."""
    plant = Plant()
    poll(master(plant), every(2, 0, 60))
    made = diagnosis(plant)
    assert codes(made) == {"watchdog-close"}
    assert near(made)["usual"] and near(made)["within_half"] == 29
    assert all(miss["cause"] is None for miss in near(made)["worst"])


def test_no_timeout_no_near_miss() -> None:
    """Nothing is stated, or the watchdog never trips."""
    plant = gapped(2)
    from mbsniff.site.limits import Limits

    assert near(diagnosis(plant, Limits())) is None
    assert near(diagnosis(plant, Limits(watchdog_ns=0))) is None


def test_a_cause_is_looked_for() -> None:
    """The PLC waited 2 s for the zone beside: this one was nearly starved."""
    plant = Plant()
    first, second = master(plant), master(plant, device=51, port=49153)
    for k in range(40):
        poll(first, [k], first=k + 1)
        poll(second, [k + 0.3], first=k + 1, reply_s=None if k == 20 else 0.1)
        if k == 20:
            break
    for k in range(20):
        poll(first, [22.4 + k], first=100 + k)
        poll(second, [22.7 + k], first=100 + k)
    made = diagnosis(plant, devices=("192.0.2.50", "192.0.2.51"), until_s=45)
    (miss,) = near(made)["worst"]
    assert miss["silence_s"] == pytest.approx(2.4)
    assert miss["cause"] == "starved-by-neighbour"
    assert "starved-by-neighbour (" in finding(made, "near-misses")["text"]


def test_another_masters_requests_hide_the_silence_of_the_one_in_charge() -> None:
    """The PLC is silent for 20 s, a station asks every 1.6 s: each of its pauses is near, for want of the PLC."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 40, 60))
    poll(master(plant, 20, port=50000), every(1.6, 0.5, 60))
    made = diagnosis(plant)
    worst = near(made)["worst"]
    assert {miss["silent_master"] for miss in worst} == {"192.0.2.10"}
    assert {miss["cause"] for miss in worst} == {None}
    text = finding(made, "near-misses")["text"]
    assert text.endswith("192.0.2.10 did not ask it meanwhile, others' requests kept it fed")


@pytest.mark.parametrize(
    ("until_s", "codes_open"), [(31, {"near-misses"}), (31.5, {"near-misses", "watchdog-close"})]
)
def test_what_the_recording_lacks_may_have_come_meanwhile(until_s: float, codes_open: set[str]) -> None:
    """A poll was lost from the recording, not from the wire: nothing about that silence is certain."""
    plant = Plant()
    link = master(plant)
    poll(link, every(1, 0, 30))
    kept = len(plant.wire)
    poll(link, [30], first=100)
    lost = plant.wire[kept:]
    poll(link, every(1, until_s, 60), first=200)
    made = diagnosis(plant)
    assert not codes(made)
    for sighting in lost:
        sighting.lost = True
    made = diagnosis(plant)
    assert codes(made) == codes_open
    for code in codes_open:
        found = finding(made, code)
        assert found["certainty"] == "open"
        assert "recorder" in found["advice"]
    assert "recording-gap" in finding(made, "near-misses")["text"]
    assert made["devices"][0]["state"] == ("open" if "watchdog-close" in codes_open else "fine")


def test_a_lost_poll_does_not_make_a_master_silent() -> None:
    """The PLC's request is not in the recording: that it did not ask cannot be said."""
    plant = Plant()
    link, station = master(plant), master(plant, 20, port=50000)
    poll(link, every(1, 0, 30))
    poll(station, every(1.6, 0.5, 30))
    kept = len(plant.wire)
    poll(link, every(1, 30, 33), first=100)
    lost = plant.wire[kept:]
    poll(station, every(1.6, 30.9, 60), first=100)
    poll(link, every(1, 33, 60), first=200)
    for sighting in lost:
        sighting.lost = True
    made = diagnosis(plant)
    worst = near(made)["worst"]
    assert {(miss["silent_master"], miss["cause"]) for miss in worst} == {(None, "recording-gap")}


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.too_slow], print_blob=False)
@given(captures(60), LIMITS)
def test_feeds_are_those_that_were_measured(capture, limits) -> None:  # type: ignore[no-untyped-def]
    """The same number of feeds, the same longest silence and the same ones due for certain, whatever feeds."""
    site = Site(defaults=limits)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.pcap"
        path.write_bytes(capture.data)
        with open_recording([str(path)]) as recording:
            exchange, facts = read_exchange(recording, compiled=False)
    case = Case(exchange, facts, measure(exchange, facts, site, compiled=False), site)
    for device in case.figures.devices:
        feeds, silences = feeds_of(case, device), device.silences
        assert len(feeds.rows) == silences.feeds
        lengths = feeds.lengths_ns
        assert max(lengths.tolist(), default=None) == (silences.longest and silences.longest.length_ns)
        limit = limits.watchdog_ns and round(limits.watchdog_ns * (1 + limits.tolerance))
        if limit:
            shortest = [silence_after(feeds, k, limit) for k in range(len(lengths))]
            alone = [
                s.from_ns for s in shortest if s.certain
            ]  # the others take what lies between into account
            assert len(alone) <= silences.certain
            assert set(alone) <= {s.from_ns for s in silences.beyond if s.certain}
    for found in near_misses(case).values():
        assert found.within_fifth <= found.within_half <= found.silences
        assert all(2 * miss.silence.length_ns > found.timeout_ns for miss in found.worst)
