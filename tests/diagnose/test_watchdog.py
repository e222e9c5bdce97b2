"""Watchdogs masked, close and off: what decides, at its edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from mbsniff.site.limits import FedBy, Limits, Master
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.diagnose.built import SECOND, ZONE, codes, diagnosis, every, finding, master

WRITE = bytes.fromhex("0600280001")


def watched(
    writer: Sequence[float], *, lost: tuple[float, float] | None = None, **how: Any
) -> dict[str, Any]:
    """A PLC that writes at these times beside a station that reads every 2 s; what the recorder lost of the PLC."""
    plant = Plant()
    poll(master(plant), writer, request=WRITE, reply=WRITE)
    for sighting in plant.wire:
        seconds = (sighting.time_ns - plant.wire[0].time_ns) / SECOND
        sighting.lost = lost is not None and lost[0] <= seconds < lost[1]
    poll(master(plant, 20), every(2, 0.5, 60))
    return diagnosis(plant, **how)


def test_masked_to_the_end() -> None:
    """The PLC stops for good while the station's reads go on to the end."""
    made = watched(every(1, 0, 30))
    found = finding(made, "watchdog-masked")
    assert (found["level"], found["certainty"]) == ("fault", "likely")
    assert "192.0.2.10 was silent for 31 s from 03:04:34.000 to the end" in found["text"]
    assert made["devices"][0]["state"] == "risk"


def test_not_masked_by_a_station_that_leaves() -> None:
    """A station that only reads leaves; the PLC, which writes, is there."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), request=WRITE, reply=WRITE)
    poll(master(plant, 20), every(2, 0.5, 20) + every(2, 40.5, 50))
    assert codes(diagnosis(plant)) == set()


def test_not_masked_where_another_writer_takes_over() -> None:
    """The first PLC ends, a second one that writes as steadily goes on: somebody is in charge to the end."""
    plant = Plant()
    poll(master(plant), every(1, 0, 30), request=WRITE, reply=WRITE)
    poll(master(plant, 11), every(1, 30, 60), request=WRITE, reply=WRITE)
    poll(master(plant, 20), every(2, 0.5, 60))
    assert codes(diagnosis(plant)) == set()


def test_not_masked_within_the_limit() -> None:
    """3.3 s are timeout and tolerance; the PLC's silence of 3.2 s is shorter."""
    assert "watchdog-masked" not in codes(watched([*every(1, 0, 20), *every(1, 22.2, 60)]))


def test_masked_is_open_where_the_masters_bytes_are_lacking() -> None:
    """The recorder missed the PLC's frames for ten seconds: told as a risk that nobody can decide."""
    found = finding(watched(every(1, 0, 60), lost=(20, 30)), "watchdog-masked")
    assert (found["level"], found["certainty"]) == ("risk", "open")
    assert "may have been silent" in found["text"]
    assert "the recording lacks 120 bytes" in found["text"]


def test_not_masked_where_only_the_plc_feeds() -> None:
    """The site says that only the PLC feeds: then its silence is due itself, once."""
    fed = replace(ZONE, fed_by=FedBy(master="plc"))
    plc = [Master("plc", ("192.0.2.10",))]
    made = watched(every(1, 0, 20) + every(1, 30, 60), limits=fed, masters=plc)
    assert codes(made, "fault") == {"watchdog-due"}


@pytest.mark.parametrize(
    ("timeout_s", "period_s", "close"),
    [(3, 1, False), (3, 2, True), (60, 10, False), (3, 2.41, True), (1.25, 1, True), (2, 1, False)],
)
def test_close(timeout_s: float, period_s: float, close: bool) -> None:
    """Less than a fifth left, or not one poll to spare; slow on purpose with a timeout to match is neither."""
    plant = Plant()
    poll(master(plant), every(period_s, 0, 60), reply_s=0.01)
    limits = Limits(watchdog_ns=round(timeout_s * SECOND))
    made = diagnosis(plant, limits, until_s=60)
    assert codes(made) == ({"watchdog-close"} if close else set())
    assert made["devices"][0]["state"] == ("risk" if close else "fine")


def test_close_within_the_tolerance() -> None:
    """Polled every 3.1 s with 3 s and 10 %: not due, and no negative rest is told."""
    plant = Plant()
    poll(master(plant), every(3.1, 0, 60))
    text = finding(diagnosis(plant, until_s=58), "watchdog-close")["text"]
    assert "exceeded the timeout (3 s) within its tolerance" in text
    assert "-" not in text.split(": ")[1].replace("192", "")


def test_an_end_within_the_timeout_is_not_due() -> None:
    """The recording ends 2.5 s after the last request."""
    plant = Plant()
    poll(master(plant), every(1, 0, 58.5))
    assert "watchdog-due" not in codes(diagnosis(plant))


def test_many_silences_are_told_in_one_line_after_five() -> None:
    """Eight silences and the end: the five longest each, the rest together, all certain ones counted."""
    plant = Plant()
    times = [t for k in range(9) for t in every(1, 20 * k, 20 * k + 10 - k / 2)]
    poll(master(plant), times)
    found = [f for f in diagnosis(plant, until_s=170)["findings"] if f["code"] == "watchdog-due"]
    assert len(found) == 6
    assert [f["cause"] for f in found].count("master-not-heard") == 5
    (rest,) = [f for f in found if f["cause"] is None]
    assert "4 further silences beyond its timeout (up to 4 for certain)" in rest["text"]
    assert rest["level"] == "fault"


@pytest.mark.parametrize(
    ("on_loss", "says"), [("hold", "holds its last output"), ("shut-off", "shuts its output off")]
)
def test_the_advice_depends_on_what_the_device_does(on_loss: Any, says: str) -> None:
    """A device that holds goes on by itself; one that shuts off needs its trip reset; then what the cause asks for."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    advice = finding(diagnosis(plant, replace(ZONE, on_loss=on_loss)), "watchdog-due")["advice"]
    assert says in advice
    assert advice.endswith("See whether the master was off, and what lies between it and the mirror port.")


def test_off_is_told_without_a_verdict_on_silences() -> None:
    """A watchdog of 0 never trips: a silence of any length is not due; the state is at risk."""
    plant = Plant()
    poll(master(plant), every(1, 0, 20) + every(1, 30, 60))
    made = diagnosis(plant, replace(ZONE, watchdog_ns=0))
    device = made["devices"][0]
    assert (device["watchdog_s"], device["watchdog_due"], device["margin"]) == (0, None, None)
    assert (device["state"], finding(made, "watchdog-off")["level"]) == ("risk", "risk")
