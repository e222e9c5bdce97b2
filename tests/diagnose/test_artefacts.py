"""Artefacts of the recording are told in the head and in the JSON, and no verdict claims more than is left."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from mbsniff.site.limits import Limits
from tests.builders.beside_tcp import bridge_hello, mac
from tests.builders.measured import poll
from tests.builders.packets import tcp_packet
from tests.builders.plant import BEGINS_NS, Plant, Sighting
from tests.diagnose.built import SECOND, ZONE, codes, diagnosis, every, finding, master
from tests.diagnose.patterns.plants import steady

TIGHT = replace(ZONE, max_reads_per_s=1.2)
BRIDGE = mac("00-00-5E-00-53-01")
LATER_NS = 30 * SECOND


def by_device(packet: bytes) -> bool:
    """Whether it comes from port 502 (IPv4 without options)."""
    return packet[20:22] == (502).to_bytes(2, "big")


def polled() -> Plant:
    """Once a second, all answered."""
    return steady(every(1, 0, 60))[0]


def said(made: dict[str, Any], words: str) -> list[str]:
    """The doubts that hold these words."""
    return [doubt for doubt in made["recording"]["doubts"] if words in doubt]


@pytest.mark.parametrize(("heard", "unseen"), [("masters", True), ("devices", False)])
def test_one_direction_is_named(heard: str, unseen: bool) -> None:
    """Which side of which endpoint is lacking; nothing is told of replies, and no device is fine by it."""
    plant = polled()
    for sighting in plant.wire:
        sighting.lost = by_device(sighting.packet) == unseen
    made = diagnosis(plant)
    [told] = made["recording"]["one_direction"]
    assert (told["endpoint"], told["heard"]) == ("192.0.2.50:502", heard)
    assert told["unrecorded_bytes"] == made["recording"]["unrecorded_bytes"] > 0
    [doubt] = said(made, "one direction only")
    assert "192.0.2.50:502" in doubt
    assert not codes(made, "fault")
    assert not {"no-reply", "late-reply"} & codes(made)


def test_lost_replies_are_not_one_direction() -> None:
    """A recording that lacks most replies, but not all."""
    plant = polled()
    replies = [s for s in plant.wire if by_device(s.packet) and len(s.packet) > 40]
    for sighting in replies[3:]:
        sighting.lost = True
    made = diagnosis(plant)
    assert made["recording"]["one_direction"] == []
    assert made["recording"]["unrecorded_bytes"]


def test_a_device_that_is_off_is_not_one_direction() -> None:
    """Requests that nobody acknowledges."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), reply_s=None)
    assert diagnosis(plant)["recording"]["one_direction"] == []


def stepped(plant: Plant, by_ns: int) -> Plant:
    """From the middle on, all times are later or earlier."""
    for sighting in plant.wire[len(plant.wire) // 2 :]:
        sighting.time_ns += by_ns
    return plant


def written_in_order(plant: Plant, by_ns: int) -> dict[str, Any]:
    """The diagnosis of a recording in which the clock steps, its frames in the order in which they came."""
    return diagnosis(stepped(plant, by_ns), TIGHT, until_s=30, background_s=None, as_they_came=True)


def test_a_step_back_doubles_no_load() -> None:
    """The clock goes back by 25 s: times occur twice, so the load there is open, and nothing is fine for sure."""
    made = written_in_order(polled(), -25 * SECOND)
    assert made["recording"]["backward_time_steps"] == 1
    assert 24 < made["recording"]["longest_backward_step_s"] < 25
    assert said(made, "occur twice")
    assert finding(made, "reads-too-dense")["certainty"] == "open"
    assert not codes(made, "fault")
    assert {device["state"] for device in made["devices"]} <= {"open", "risk"}


def test_the_load_is_a_fault_without_it() -> None:
    """The same limit, and reads that really come twice as often."""
    plant = steady(every(0.5, 0, 30))[0]
    made = diagnosis(plant, TIGHT, until_s=30, background_s=None, as_they_came=True)
    assert "reads-too-dense" in codes(made, "fault")


def test_a_step_forward_is_no_silence() -> None:
    """The clock jumps ahead: no frame of any kind meanwhile, so nothing is due for certain."""
    made = written_in_order(polled(), LATER_NS)
    assert said(made, "no frame of any kind")
    assert not codes(made, "fault")


def test_long_frames_are_counted() -> None:
    """What a network card had put together: read all the same, and told."""
    plant = polled()
    wide = tcp_packet(("192.0.2.98", 40000), ("192.0.2.99", 80), 1, 1, 0x10, bytes(4000))
    plant.wire[10:10] = [replace(plant.wire[10], packet=wide)] * 3
    made = diagnosis(plant)
    assert made["recording"]["long_frames"] == 3
    assert said(made, "offload")
    assert made["devices"][0]["answered"] == 60


def test_wrong_checksums_are_read() -> None:
    """Segments of one sender whose checksum a network card was to fill in."""
    plant = polled()
    whole = diagnosis(polled())
    for sighting in plant.wire:
        if by_device(sighting.packet):
            sighting.packet = sighting.packet[:36] + b"\x12\x34" + sighting.packet[38:]
    assert diagnosis(plant)["devices"] == whole["devices"]


def test_frames_cut_too_short_are_told_with_what_is_needed() -> None:
    """The recorder kept 60 bytes of each frame: a request has its header there, and no more."""
    plant = polled()
    for sighting in plant.wire:
        sighting.cut = 44
    made = diagnosis(plant)
    assert made["recording"]["cut_short_frames"]
    assert said(made, "66 bytes")
    assert not codes(made, "fault")


def test_a_good_recording_has_none() -> None:
    """Nothing of it is told where nothing is wrong."""
    recording = diagnosis(polled(), Limits())["recording"]
    assert recording["one_direction"] == [] and recording["long_frames"] == 0
    assert recording["longest_backward_step_s"] == 0
    assert recording["doubts"] == []


def quiet(hello_s: float | None, *, stops: bool = False) -> dict[str, Any]:
    """A master that does not ask for 4.6 s, and a bridge that says hello now and then, or stops meanwhile."""
    plant = steady([*every(1, 0, 20), *every(1, 23.6, 60)])[0]
    for seconds in every(hello_s, 0.3, 60) if hello_s else []:
        if stops and 19 < seconds < 23.6:
            continue
        header, body = bridge_hello(BRIDGE, BRIDGE)
        plant.wire.append(Sighting(BEGINS_NS + round(seconds * SECOND), body, head=header))
    return diagnosis(plant, background_s=None)


def test_background_frames_prove_that_the_mirror_was_alive() -> None:
    """Nothing else was recorded for up to 2 s at a time, which is usual: the silence is the plant's own."""
    made = quiet(2)
    assert finding(made, "watchdog-due")["certainty"] == "certain"
    assert made["recording"]["background"]["usual_gap_s"] == 2


def test_without_background_frames_it_may_have_stopped() -> None:
    """The same silence, of which the recording shows nothing at all."""
    made = quiet(None)
    assert finding(made, "watchdog-due")["certainty"] == "open"
    assert made["recording"]["background"] is None


def test_background_frames_that_fail_show_that_it_stopped() -> None:
    """They come every half a second, but not in the silence."""
    made = quiet(0.5, stops=True)
    assert finding(made, "watchdog-due")["certainty"] == "open"
    longer = diagnosis(stopped_for_long(), background_s=None)
    assert said(longer, "the recorder or the mirror port stopped")


def stopped_for_long() -> Plant:
    """Nothing for 12 s, where a bridge says hello every second otherwise."""
    plant = steady([*every(1, 0, 20), *every(1, 32, 60)])[0]
    for seconds in [*every(1, 0.3, 20), *every(1, 32.3, 60)]:
        header, body = bridge_hello(BRIDGE, BRIDGE)
        plant.wire.append(Sighting(BEGINS_NS + round(seconds * SECOND), body, head=header))
    return plant
