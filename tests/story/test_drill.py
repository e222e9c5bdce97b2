"""The record of an acceptance drill: what happened when, each check, and the verdict."""

from __future__ import annotations

import functools
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from mbsniff.site import Site, load_site
from mbsniff.site.limits import Device, Limits, Tripped
from mbsniff.story import Ask, AskError, Times
from mbsniff.story.checks import CHECKS, OPTIONAL, Result, overall
from mbsniff.story.drill import Drill, drill
from tests.story.told import PLANTED, RECORDINGS, SAMPLES, diagnosis_of, look_at, sample, seconds

SECOND = 10**9


@functools.cache
def drilled(file: str, site: str, device: str | None = None, again: bool = True) -> Drill:
    """A sample's record."""
    look = look_at([SAMPLES / file]) if again else None
    return drill(sample(file, site), look, Ask(device=device), Times(), {})


def of_causes(name: str, device: str | None = None) -> Drill:
    """The record of a recording of causes."""
    return drilled(RECORDINGS[name]["file"], PLANTED["site"], device)


def outcomes(made: Drill) -> dict[str, str]:
    """Verdicts by code."""
    return {check.code: check.result.outcome for check in made.checks}


def with_limits(file: str, site_file: str = "oven.toml", **changes: object) -> Drill:
    """The record with other limits for zone 3."""
    site = load_site(str(SAMPLES / site_file))
    devices = tuple(replace(d, limits=replace(d.limits, **changes)) for d in site.devices)  # type: ignore[arg-type]
    path = SAMPLES / file
    made = diagnosis_of([path], replace(site, devices=devices))
    return drill(made, look_at([path]), Ask(device="zone 3"), Times(), {})


def test_a_drill_that_passes() -> None:
    """Of the link-down recording: each event at the time that its page tells, each check that can be told met."""
    made = drilled("link-down.pcap", "oven.toml")
    at = {e.title: seconds(made.story, e.at_ns) for e in made.events if e.at_ns is not None}
    assert made.is_passed
    assert at["first sign of the outage"] == pytest.approx(40.21, abs=0.01)
    assert at["traffic returned"] == pytest.approx(52.22, abs=0.01)
    assert at["fell back, by its status register"] == pytest.approx(52.23, abs=0.01)
    assert at["trip reset"] == pytest.approx(54.23, abs=0.01)
    assert at["watchdog due, at the earliest"] == pytest.approx(at["last feed that was confirmed"] + 3)
    assert all(e.evidence for e in made.events if e.at_ns and "due" not in e.title)
    told = outcomes(made)
    assert told.pop("in-time") == "cannot tell"  # nobody could read its status while the link was down
    assert set(told.values()) == {"pass"}


def test_events_stand_in_order() -> None:
    """In time order, what was not seen at the end."""
    for name in ("feed-wrong", "device-link-down", "port-closed"):
        times = [e.at_ns for e in of_causes(name).events]
        known = [t for t in times if t is not None]
        assert times == sorted(known) + [None] * (len(times) - len(known))


def test_a_reset_into_the_silence() -> None:
    """The PLC reset zone 3 while it did not feed it: that fails."""
    made = of_causes("feed-wrong")
    assert outcomes(made)["reset-late"] == "fail" and made.outcome == "fail"


def test_too_short_an_outage() -> None:
    """An outage within the timeout proves nothing, and a healthy recording is no drill."""
    for made in (
        drilled("healthy-shift.pcap", "oven.toml"),
        with_limits("link-down.pcap", watchdog_ns=60 * SECOND),
    ):
        told = outcomes(made)
        assert made.outcome == "fail"
        assert (told["outage-long-enough"], told["fell-back"]) == ("fail", "cannot tell")


def test_a_device_that_does_not_fall_back() -> None:
    """Its status register, read all along, shows no trip, although the watchdog was due by the site file."""
    file = RECORDINGS["feed-wrong"]["file"]
    made = with_limits(file, PLANTED["site"], status_tripped=Tripped(mask=64, value=64))
    assert outcomes(made)["fell-back"] == "fail" and made.outcome == "fail"


def test_no_status_register() -> None:
    """Then whether it fell back cannot be told, and the drill is not passed."""
    made = with_limits("link-down.pcap", status_register=None, status_tripped=None)
    assert outcomes(made)["fell-back"] == "cannot tell" and made.outcome == "cannot tell"


def test_no_second_look() -> None:
    """From a pipe the status cannot be read: the record says so."""
    made = drilled("link-down.pcap", "oven.toml", again=False)
    assert made.outcome == "cannot tell"
    assert "second time" in next(c.result.seen for c in made.checks if c.code == "fell-back")


def test_a_device_that_restarted() -> None:
    """It knows of no trip; that is no proof that there was none."""
    assert outcomes(of_causes("device-restarted"))["fell-back"] == "cannot tell"


def test_an_outage_that_nobody_bears() -> None:
    """The timeout with its tolerance is longer than what the owner tolerates; unstated, it is not judged."""
    assert (
        outcomes(with_limits("link-down.pcap", tolerable_outage_ns=3 * SECOND))["outage-bearable"] == "fail"
    )
    assert "outage-bearable" not in outcomes(of_causes("device-link-down"))


def test_a_recording_with_gaps() -> None:
    """A recorder that stopped proves no outage."""
    made = of_causes("recorder-stopped")
    assert outcomes(made)["recording-whole"] == "cannot tell" and not made.is_passed


def test_another_device_of_the_same_outage() -> None:
    """A record for each device that is asked for."""
    made = of_causes("trunk-down", "zone 5")
    assert made.story.device.name == "zone 5" and made.is_passed


def test_no_timeout_is_no_drill() -> None:
    """One error that says what to give."""
    path = SAMPLES / "link-down.pcap"
    bare = Site(devices=(Device("zone 3", "192.0.2.53", units=(1,), limits=Limits()),))
    for ask in (Ask(), Ask(device="zone 3")):
        with pytest.raises(AskError, match="--site"):
            drill(diagnosis_of([path], bare), None, ask, Times(), {})


def test_a_moment_is_no_drill() -> None:
    """Where the device was fed in time there is nothing to record."""
    file = RECORDINGS["commanded"]["file"]
    with pytest.raises(AskError, match="no silence"):
        drill(sample(file, PLANTED["site"]), None, Ask("14:57:15", "zone 3"), Times(), {})


def test_the_verdict_of_the_record() -> None:
    """What failed outranks what cannot be told; checks that the wire seldom tells do not stand in the way."""
    ok, bad, open_ = (Result(o, "", "") for o in ("pass", "fail", "cannot tell"))  # type: ignore[arg-type]
    assert overall([("fell-back", ok), ("in-time", open_)]) == "pass"
    assert overall([("fell-back", open_), ("came-back", ok)]) == "cannot tell"
    assert overall([("fell-back", open_), ("in-time", bad)]) == "fail"
    assert overall([]) == "cannot tell"
    assert {row.code for row in CHECKS} >= OPTIONAL


def test_a_recording_that_ends_too_early() -> None:
    """Whether the device comes back cannot be told from a recording that ends amid the outage."""
    data = (SAMPLES / "link-down.pcap").read_bytes()
    at = 24
    for _ in range(1700):  # frames; the first that zone 3 answers again is 1755
        at += 16 + int.from_bytes(data[at + 8 : at + 12], "little")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cut.pcap"
        path.write_bytes(data[:at])
        made = drill(
            diagnosis_of([path], load_site(str(SAMPLES / "oven.toml"))), look_at([path]), Ask(), Times(), {}
        )
    told = outcomes(made)
    assert (told["outage-long-enough"], told["came-back"], made.outcome) == (
        "pass",
        "cannot tell",
        "cannot tell",
    )
    assert [e.title for e in made.events if e.at_ns is None][:2] == [
        "fell back, by its status register", "traffic returned"
    ]  # fmt: skip
