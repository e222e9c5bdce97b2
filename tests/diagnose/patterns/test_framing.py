"""Serial framing over TCP and UDP: what is said of it beyond that it is there."""

from typing import Any

from tests.builders.measured import DATA, READ, at
from tests.builders.plant import Plant
from tests.builders.serial import Ends, datagram, rtu
from tests.diagnose.built import codes, diagnosis, finding
from tests.diagnose.patterns.framings import serial_frames, serial_unheard


def test_frames_are_measured_like_any_others() -> None:
    """Sixty requests, all answered, by order alone; neither fixed nor reused identifiers are told."""
    made = diagnosis(serial_frames())
    (device,) = made["devices"]
    assert (device["device"], device["requests"], device["answered"]) == ("192.0.2.50:502/1", 60, 60)
    assert device["by-order"] == 60 if "by-order" in device else True
    assert device["block_sizes"] == {"3": {"2": 60}}
    assert not codes(made) & {"fixed-identifier", "identifier-reused"}
    told = finding(made, "serial-framing")
    assert told["level"] == "remark"
    assert "120 messages" in told["text"] and "over TCP" in told["text"]


def test_a_device_that_answers_none() -> None:
    """It is likely one that expects an MBAP header: a risk, and the requests count as unanswered."""
    made = diagnosis(serial_unheard())
    assert finding(made, "serial-framing")["level"] == "risk"
    assert made["devices"][0]["unanswered"] >= 59


def test_over_udp() -> None:
    """The way is named, and that nothing tells what of it the recording lacks."""
    plant = Plant()
    ends: Ends = (("192.0.2.10", 49152), ("192.0.2.50", 502))
    for k in range(60):
        at(plant, k)
        datagram(plant, ends, rtu(1, READ))
        datagram(plant, (ends[1], ends[0]), rtu(1, DATA), wait=0.1)
    made: dict[str, Any] = diagnosis(plant)
    assert made["devices"][0]["answered"] == 60
    assert "over UDP" in finding(made, "serial-framing")["text"]
    assert any("over UDP" in doubt for doubt in made["recording"]["doubts"])
