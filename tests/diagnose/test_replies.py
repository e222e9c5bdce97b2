"""Replies missing, late or refused, requests resent, second writers: levels, counts and words."""

from __future__ import annotations

import pytest

from tests.builders.measured import poll
from tests.builders.plant import DEVICE, Plant
from tests.diagnose.built import codes, diagnosis, every, finding, master

ONE, BOTH = bytes.fromhex("0600280001"), bytes.fromhex("10002800020400010002")
BOTH_REPLY = bytes.fromhex("1000280002")
COIL = bytes.fromhex("050028ff00")


@pytest.mark.parametrize(("missing", "level"), [(2, "risk"), (3, "fault")])
def test_missing_replies_are_a_fault_from_three_and_one_in_twenty_on(missing: int, level: str) -> None:
    """Three of 59 requests are one in twenty; two are fewer than three."""
    plant = Plant()
    link = master(plant)
    poll(link, every(1, 0, 20))
    poll(link, [20 + 2 * k for k in range(missing)], reply_s=None, first=100)
    poll(link, every(1, 28, 60), first=200)
    assert finding(diagnosis(plant), "no-reply")["level"] == level


def test_a_few_missing_replies_of_many_are_a_risk() -> None:
    """Three of two hundred."""
    plant = Plant()
    link = master(plant)
    poll(link, every(0.25, 0, 50))
    poll(link, [51, 52, 53], reply_s=None, first=300)
    poll(link, every(1, 54, 60), first=400)
    assert finding(diagnosis(plant), "no-reply")["level"] == "risk"


def test_missing_replies_say_what_tcp_took_and_when_the_master_went_on() -> None:
    """Acknowledged ones show a device whose program stalls; the master's time-out is what it waited."""
    plant = Plant()
    link = master(plant)
    poll(link, every(1, 0, 20))
    poll(link, [20], reply_s=None, first=100)
    link.segment(DEVICE, wait=0.04)
    poll(link, [21.5], reply_s=None, first=101)
    poll(link, every(1, 23, 60), first=200)
    text = finding(diagnosis(plant), "no-reply")["text"]
    assert "2 requests of 59 without a reply, 1 of them acknowledged by the device's TCP" in text
    assert "192.0.2.10 went on after 1.5 s" in text


def test_a_block_that_reaches_beyond_the_last_address_is_recognized() -> None:
    """Registers 96-99 are served, 96-100 are refused with 02: the illustration of V1.1b3, 7."""
    plant = Plant()
    poll(
        master(plant),
        every(1, 0, 60),
        request=bytes.fromhex("0300600004"),
        reply=bytes.fromhex("0308") + bytes(8),
    )
    poll(master(plant, port=50000), [30.5], request=bytes.fromhex("0300600005"), reply=bytes.fromhex("8302"))
    found = finding(diagnosis(plant), "exception-reply")
    assert "96-99 is served, so the block reaches beyond the device's addresses" in found["text"]
    assert found["advice"].startswith("The device has no such address")


def test_a_refused_block_elsewhere_is_not_at_the_edge() -> None:
    """Registers 0-3 are served, 96-100 are refused: nothing is said of an end."""
    plant = Plant()
    poll(
        master(plant),
        every(1, 0, 60),
        request=bytes.fromhex("0300000004"),
        reply=bytes.fromhex("0308") + bytes(8),
    )
    poll(master(plant, port=50000), [30.5], request=bytes.fromhex("0300600005"), reply=bytes.fromhex("8302"))
    assert "beyond" not in finding(diagnosis(plant), "exception-reply")["text"]


def test_an_exception_is_no_missing_reply() -> None:
    """The device is alive and refuses: answered."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), reply=bytes.fromhex("8301"))
    made = diagnosis(plant)
    assert "no-reply" not in codes(made)
    assert (made["devices"][0]["answered"], made["devices"][0]["exceptions"]) == (60, {"1": 60})


def test_each_exception_code_is_one_finding() -> None:
    """02 and 06 of one device are two findings, with the requests that met them."""
    plant = Plant()
    poll(master(plant), every(1, 0, 30), reply=bytes.fromhex("8302"))
    poll(master(plant, port=50000), every(1, 30, 60), reply=bytes.fromhex("8306"))
    found = [f["text"].split(": ")[1] for f in diagnosis(plant)["findings"] if f["code"] == "exception-reply"]
    assert sorted(text[:16] for text in found) == ["30 exceptions 02", "30 exceptions 06"]


def test_writers_of_other_registers_or_of_coils_do_not_meet() -> None:
    """Register 40, register 42 and coil 40 are three places."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), request=ONE, reply=ONE)
    poll(
        master(plant, 20),
        every(1, 0.3, 60),
        request=bytes.fromhex("06002a0001"),
        reply=bytes.fromhex("06002a0001"),
    )
    poll(master(plant, 21), every(1, 0.6, 60), request=COIL, reply=COIL)
    assert codes(diagnosis(plant)) == set()


def test_two_writers_of_many_registers_are_one_finding() -> None:
    """Each of 40 and 41 by one master, both at once by the other: one finding, the registers, all writes counted."""
    plant = Plant()
    poll(master(plant), every(1, 0, 60), request=ONE, reply=ONE)
    other = bytes.fromhex("0600290001")
    poll(master(plant, port=50000), every(1, 0.2, 60), request=other, reply=other)
    poll(master(plant, 20), every(5, 0.5, 60), request=BOTH, reply=BOTH_REPLY)
    made = diagnosis(plant)
    (found,) = [f for f in made["findings"] if f["code"] == "second-writer"]
    assert "192.0.2.10 (120 times) and 192.0.2.20 (12 times) both write registers 40-41" in found["text"]


def test_one_shared_register_among_many_is_told_alone() -> None:
    """Registers 39-40 and 40-41: the two meet at 40."""
    plant = Plant()
    low = bytes.fromhex("10002700020400010002")
    poll(master(plant), every(1, 0, 60), request=low, reply=low[:5])
    poll(master(plant, 20), every(5, 0.5, 60), request=BOTH, reply=BOTH_REPLY)
    assert "both write register 40" in finding(diagnosis(plant), "second-writer")["text"]


def test_a_read_and_write_request_writes_where_it_writes() -> None:
    """Function 23 reads 0 and writes 40 (V1.1b3, 6.17): it meets another writer of 40, not of 0."""
    plant = Plant()
    both = bytes.fromhex("170000000100280001020007")
    zero = bytes.fromhex("0600000001")
    poll(master(plant), every(1, 0, 60), request=both, reply=bytes.fromhex("17020000"))
    poll(master(plant, 21), every(1, 0.6, 60), request=zero, reply=zero)
    assert codes(diagnosis(plant)) == set()
    poll(master(plant, 20), every(5, 0.5, 60), request=ONE, reply=ONE)
    text = finding(diagnosis(plant), "second-writer")["text"]
    assert "192.0.2.10 (60 times) and 192.0.2.20 (12 times) both write register 40" in text
