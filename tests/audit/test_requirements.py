"""Small conversations in, the verdict of each requirement out: met, not met, not to be told, not stated."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from mbsniff.site import FedBy, Master, Register, Site, Tripped
from mbsniff.site.limits import Limits
from tests.audit.made import (
    MASTERS,
    PLC,
    SECOND,
    STATION,
    STRANGER,
    audit_of,
    audited,
    exchange,
    master,
    read_registers,
    result,
    set_register,
    site,
    verdict,
)
from tests.builders.adus import adu
from tests.builders.measured import at
from tests.builders.plant import MASTER, Plant
from tests.builders.recorder import write, write_as_it_came
from tests.writes.made import surveyed

SETPOINT = Register(
    "setpoint", first=40, type="int16", scale=0.1, minimum=0, maximum=300, engineering_unit="°C"
)
Say = Callable[[Plant], object]


def steady(plant: Plant, until_s: int = 20, address: str = PLC) -> None:
    """A master that reads register 0 every second."""
    connection = master(plant, address)
    for second in range(1, until_s):
        read_registers(connection, second, 0, 7)


def writes(*values: int, register: int = 40, every_s: float = 1, address: str = PLC) -> Say:
    """A master that writes these values, one after another."""

    def say(plant: Plant) -> None:
        connection = master(plant, address, 50000)
        for k, value in enumerate(values):
            set_register(connection, 0.5 + k * every_s, register, value)

    return say


def two_ports(plant: Plant) -> None:
    """One master with two connections, both in use."""
    one, other = master(plant, port=50001), master(plant, port=50002)
    for second in range(1, 6):
        read_registers(one, second, 0, 7)
        read_registers(other, second + 0.5, 0, 7)


def one_port_after_the_other(plant: Plant) -> None:
    """A connection that is closed before the next one is opened."""
    one = master(plant, port=50001)
    read_registers(one, 1, 0, 7)
    one.close(MASTER)
    other = plant.wait(1).connection((PLC, 50002), ("192.0.2.50", 502)).handshake((7, 9))
    read_registers(other, 4, 0, 7)


def half_open(plant: Plant) -> None:
    """A connection that is never closed, nor used any more, when the next one is opened."""
    read_registers(master(plant, port=50001), 1, 0, 7)
    other = plant.wait(1).connection((PLC, 50002), ("192.0.2.50", 502)).handshake((7, 9))
    read_registers(other, 4, 0, 7)


def wrong_echo(plant: Plant) -> None:
    """A device that says that it took another value."""
    exchange(master(plant), 1, bytes.fromhex("0600280064"), bytes.fromhex("0600280063"))


def rare_writes(plant: Plant) -> None:
    """A master that writes a few values, each when there is a new one."""
    connection = master(plant)
    for second in (1, 2, 9, 30):
        set_register(connection, second, 40, second)


def unanswered(plant: Plant) -> None:
    """A device that answers nothing."""
    connection = master(plant)
    for second in range(1, 5):
        exchange(connection, second, bytes.fromhex("0300000001"), None)


LISTED = site()
LISTED = replace(LISTED, devices=(replace(LISTED.devices[0], limits=Limits(masters=("oven PLC",))),))
READ = Register("reading", first=0, access="ro")
CASES: dict[str, tuple[str, Site, Say, str]] = {
    "block as long as the limit": ("block-size", site(max_block=1), steady, "met"),
    "block too long": ("block-size", site(max_block=1), lambda p: read_registers(master(p), 1, 0, 1, 2), "not met"),
    "reads within the limit": ("reads-per-second", site(max_reads_per_s=4), steady, "met"),
    "watchdog off": ("watchdog-set", site(watchdog_ns=0), steady, "not met"),
    "watchdog set": ("watchdog-set", site(watchdog_ns=3 * SECOND), steady, "met"),
    "watchdog fed": ("watchdog-kept", site(watchdog_ns=3 * SECOND), steady, "met"),
    "watchdog due": ("watchdog-kept", site(watchdog_ns=SECOND // 2), steady, "not met"),
    "fed by cyclic reads": ("watchdog-fed", site(watchdog_ns=3 * SECOND), steady, "met"),
    "fed by writes when something changes": (
        "watchdog-fed", site(watchdog_ns=30 * SECOND, fed_by=FedBy("write")),
        rare_writes, "not met",
    ),
    "fed by cyclic writes of a constant, where only changes feed": (
        "watchdog-fed", site(watchdog_ns=30 * SECOND, fed_by=FedBy("write", change=True)), writes(*[5] * 9), "not met",
    ),
    "fed by a heartbeat": (
        "watchdog-fed", site(watchdog_ns=30 * SECOND, fed_by=FedBy("write", change=True)), writes(*range(9)), "met",
    ),
    "outage longer than bearable": (
        "outage-bearable", site(watchdog_ns=3 * SECOND, tolerable_outage_ns=3 * SECOND), steady, "not met",
    ),
    "outage bearable with tolerance": (
        "outage-bearable", site(watchdog_ns=3 * SECOND, tolerable_outage_ns=3_300_000_000), steady, "met",
    ),
    "timeout as stated": ("timeout-stated", site(watchdog_ns=7 * SECOND, watchdog_register=0), steady, "met"),
    "timeout otherwise": ("timeout-stated", site(watchdog_ns=3 * SECOND, watchdog_register=0), steady, "not met"),
    "timeout never read": (
        "timeout-stated", site(watchdog_ns=7 * SECOND, watchdog_register=9), steady, "cannot be told",
    ),
    "status fine": ("never-tripped", site(status_register=0, status_tripped=Tripped(8, 8)), steady, "met"),
    "status tripped": ("never-tripped", site(status_register=0, status_tripped=Tripped(2, 2)), steady, "not met"),
    "listed master": ("masters", LISTED, steady, "met"),
    "unlisted master": ("masters", LISTED, lambda p: steady(p, address=STRANGER), "not met"),
    "listed writer": ("writers", site(writers=("oven PLC",)), writes(5), "met"),
    "unlisted writer": ("writers", site(writers=("oven PLC",)), writes(5, address=STATION), "not met"),
    "register's own writer": (
        "writers", site(replace(SETPOINT, writers=("station",))), writes(5, address=STATION), "met",
    ),
    "not the register's writer": ("writers", site(replace(SETPOINT, writers=("station",))), writes(5), "not met"),
    "write to read-only": ("writes-declared", site(replace(SETPOINT, access="ro")), writes(5), "not met"),
    "write beside": ("writes-declared", site(SETPOINT), writes(5, register=41), "not met"),
    "write where allowed": ("writes-declared", site(SETPOINT), writes(5), "met"),
    "value at the maximum": ("values-in-range", site(SETPOINT), writes(3000), "met"),
    "value above": ("values-in-range", site(SETPOINT), writes(3001), "not met"),
    "value below, as a signed number": ("values-in-range", site(SETPOINT), writes(0xFFFF), "not met"),
    "echo as sent": ("writes-echoed", site(), writes(5), "met"),
    "echo differs": ("writes-echoed", site(), wrong_echo, "not met"),
    "memory worn": ("nonvolatile-spared", site(replace(SETPOINT, nonvolatile=True)), writes(*[5] * 9), "not met"),
    "memory spared": ("nonvolatile-spared", site(replace(SETPOINT, nonvolatile=True)), writes(*range(9)), "met"),
    "read where declared": ("reads-declared", site(READ), steady, "met"),
    "read beside": ("reads-declared", site(replace(READ, first=1)), steady, "not met"),
    "read of what is unreadable": ("reads-declared", site(replace(READ, access="none")), steady, "not met"),
    "no exception": ("no-exceptions", site(), steady, "met"),
    "exception": (
        "no-exceptions", site(), lambda p: exchange(master(p), 1, bytes.fromhex("0300600005"), b"\x83\x02"), "not met",
    ),
    "reply in time": ("replies-in-time", site(), steady, "met"),
    "no reply": (
        "replies-in-time", site(),
        unanswered, "not met",
    ),
    "two connections": ("one-connection", site(), two_ports, "not met"),
    "one connection after the other": ("one-connection", site(), one_port_after_the_other, "met"),
    "a connection left half open": ("one-connection", site(), half_open, "cannot be told"),
    "one writer": ("one-writer", site(), writes(5, 6), "met"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_verdicts(case: str) -> None:
    """Each requirement is met, not met, or not to be told, as the conversation has it."""
    code, declared, say, expected = CASES[case]
    plant = Plant()
    say(plant)
    made = audited(plant, declared)
    found = result(made, code)
    assert found.verdict == expected, found
    assert (found.outcome.why is None) == (expected == "met")


def two_writers(plant: Plant) -> None:
    """Two masters that write one register in turn."""
    one, other = master(plant), master(plant, STATION, 50000)
    for second in range(1, 6):
        set_register(one, second, 40, 100)
        set_register(other, second + 0.5, 40, 200)


def test_two_writers_unless_they_are_one_group() -> None:
    """Masters that stand in for each other are one writer."""
    plant = Plant()
    two_writers(plant)
    assert verdict(audited(plant, site()), "one-writer") == "not met"
    grouped = tuple(replace(m, group="pair") for m in MASTERS)
    made = audited(plant, site(masters=grouped))
    assert verdict(made, "one-writer") == "met"
    assert surveyed(plant, site(masters=grouped)).registers[0].written.masters == {PLC: 10}


def test_a_hand_over_is_no_second_writer() -> None:
    """A master that begins after the other has ended took over."""
    plant = Plant()
    writes(1, 2, 3)(plant)
    connection = master(plant, STATION)
    for second in range(10, 13):
        set_register(connection, second, 40, second)
    assert verdict(audited(plant, site()), "one-writer") == "met"


def test_what_is_not_stated_is_not_judged() -> None:
    """An empty site leaves only what holds always."""
    plant = Plant()
    steady(plant)
    made = audited(plant, Site.empty())
    assert {r.code for r in made.results} == {"no-exceptions", "one-connection"}
    assert made.is_met and made.not_stated["block-size"] == 1


def test_a_device_that_was_never_seen_cannot_be_told() -> None:
    """All but what the site file alone tells stays open."""
    plant = Plant()
    plant.connection(device=("192.0.2.77", 502))
    read_registers(plant.connection(device=("192.0.2.77", 502)), 1, 0, 7)
    made = audited(plant, site(watchdog_ns=3 * SECOND, max_block=16))
    own = {r.code: r.verdict for r in made.results if r.name == "zone"}
    assert own.pop("watchdog-set") == "met"
    assert own and set(own.values()) == {"cannot be told"}


def test_lost_bytes_leave_open_what_would_be_met() -> None:
    """Where requests went unrecorded, none of them being too long proves nothing; one that is too long does."""
    plant = Plant()
    steady(plant, 6)
    connection = master(plant, port=50007)
    read_registers(connection, 7, 0, 7)
    lost = connection.ask(adu(90, 1, bytes.fromhex("0300000001")))
    lost.lost = True
    connection.answer(adu(90, 1, bytes.fromhex("03020007")))
    read_registers(connection, 9, 0, 7)
    made = audited(plant, site(max_block=16))
    assert verdict(made, "block-size") == "cannot be told"
    assert "unrecorded" in (result(made, "block-size").outcome.why or "")
    assert verdict(audited(plant, site(max_block=0)), "block-size") == "not met"


def test_one_direction_only() -> None:
    """Without the devices' side there is no verdict on replies; without the masters', none on requests."""
    for side, code in ((1, "no-exceptions"), (0, "block-size")):
        plant = Plant()
        connection = master(plant)
        for second in range(1, 9):
            at(plant, second)
            asked = connection.ask(adu(second, 1, bytes.fromhex("0300000001")))
            came = connection.answer(adu(second, 1, bytes.fromhex("03020007")))
            (came if side else asked).lost = True
        assert verdict(audited(plant, site(max_block=16)), code) == "cannot be told"


def test_a_clock_that_went_back(tmp_path: Path) -> None:
    """Times occur twice: neither the silences nor the load that lie there can be told."""
    plant = Plant()
    connection = master(plant)
    for second in range(1, 61):
        exchange(connection, second, bytes.fromhex("0300000001"), bytes.fromhex("03020007"))
    stated = site(watchdog_ns=3 * SECOND, max_reads_per_s=1.2)
    even = audit_of([write(tmp_path / "even.pcap", plant)], stated)
    for sighting in plant.wire[len(plant.wire) // 2 :]:
        sighting.time_ns -= 25 * SECOND
    stepped = audit_of([write_as_it_came(tmp_path / "stepped.pcap", plant)], stated)
    for code in ("watchdog-kept", "reads-per-second"):
        assert verdict(even, code) == "met"
        assert verdict(stepped, code) == "cannot be told"


def test_without_a_second_look() -> None:
    """From standard input what only replies tell is left open."""
    plant = Plant()
    steady(plant)
    writes(5)(plant)
    limits = Limits(
        watchdog_ns=7 * SECOND, watchdog_register=0, status_register=0, status_tripped=Tripped(2, 2)
    )
    declared = replace(site(hardware="00-00-5E-00-53-51").devices[0], limits=limits)
    made = audited(plant, Site(masters=MASTERS, devices=(declared,)), again=False)
    open_ = {r.code for r in made.results if r.verdict == "cannot be told" and r.name == "zone"}
    assert {"timeout-stated", "never-tripped", "writes-echoed", "hardware-address"} <= open_


def test_a_master_that_may_only_read() -> None:
    """A master's own entry forbids its writes, whatever the device says."""
    plant = Plant()
    writes(5)(plant)
    only = (Master("oven PLC", (PLC,), may_write=False),)
    assert verdict(audited(plant, site(masters=only)), "writers") == "not met"


def test_one_off_reads_are_pointed_out() -> None:
    """A read one above a declared register says which it may have been meant for."""
    plant = Plant()
    read_registers(master(plant), 1, 41, 7)
    made = audited(plant, site(SETPOINT))
    assert "holding 41 (no. 42) is one above holding 40 (no. 41)" in (
        result(made, "reads-declared").outcome.why or ""
    )
