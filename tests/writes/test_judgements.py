"""Conversations with one thing wrong, or its look-alike, in; the judgement, or none, out."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest

from mbsniff.site import FedBy, Master, Register, Site
from mbsniff.writes import KINDS
from mbsniff.writes.judgements import CHECKS
from tests.audit.made import (
    MASTERS,
    PLC,
    SECOND,
    STATION,
    STRANGER,
    exchange,
    master,
    read_registers,
    set_register,
    site,
)
from tests.builders.plant import Plant
from tests.writes.made import codes, judgement, surveyed

SETPOINT = Register(
    "setpoint", first=40, type="int16", scale=0.1, engineering_unit="°C", minimum=0, maximum=300
)
DECLARED = site(SETPOINT)


def written(*values: int, every: float = 1.0, address: int = 40) -> Plant:
    """The PLC sets the setpoint to one value after the other."""
    plant = Plant()
    connection = master(plant)
    for k, value in enumerate(values):
        set_register(connection, 1 + k * every, address, value)
    return plant


def by_turns(*masters: str) -> Plant:
    """These masters set the setpoint, one after the other, to a value of their own."""
    plant = Plant()
    connections = {address: master(plant, address) for address in dict.fromkeys(masters)}
    for k, address in enumerate(masters):
        set_register(connections[address], 1 + k, 40, 2000 + k)
    return plant


def test_a_value_outside_its_range() -> None:
    """Held against engineering units: 300.0 °C is the most, 300.1 and -0.1 °C (two's complement) are outside."""
    found = judgement(surveyed(written(3000, 3001, 0, 0xFFFF), DECLARED), "value-outside-range")
    assert found.count == 2
    assert "the first 300.1 °C" in found.text and "at least 0 and at most 300" in found.text
    assert [e.frame for e in found.evidence] == [3, 7]
    assert codes(surveyed(written(3000, 0), DECLARED)) == []


def test_two_writers_in_turns() -> None:
    """A, B, A is a quarrel; A, A, B, B a hand-over; and a redundancy group is one master."""
    assert codes(surveyed(by_turns(PLC, STATION, PLC), DECLARED)) == ["two-writers"]
    assert codes(surveyed(by_turns(PLC, PLC, STATION, STATION), DECLARED)) == ["handed-over"]
    group = tuple(replace(each, group="pair") for each in MASTERS)
    assert codes(surveyed(by_turns(PLC, STATION, PLC), site(SETPOINT, masters=group))) == []


def test_a_refused_write_is_no_second_writer() -> None:
    """What the device refused changed nothing; it is told as refused, with the exception's name."""
    plant = by_turns(PLC)
    exchange(master(plant, STATION), 2, struct.pack(">BHH", 6, 40, 5), b"\x86\x04")
    set_register(master(plant, PLC, 49153), 3, 40, 5)
    found = surveyed(plant, DECLARED)
    assert codes(found) == ["write-refused"]
    assert "04" in found.judgements[0].text and "1 of 3 writes refused" in found.judgements[0].text


def test_a_writer_that_is_not_allowed() -> None:
    """By the device's list, by the register's own, and by the master's entry."""
    plant = by_turns(STRANGER)
    assert codes(surveyed(plant, site(SETPOINT, writers=("oven PLC",)))) == ["writer-not-allowed"]
    own = replace(SETPOINT, writers=("oven PLC",))
    assert codes(surveyed(plant, site(own))) == ["writer-not-allowed"]
    barred = Master("visitor", (STRANGER,), may_write=False)
    found = surveyed(plant, site(SETPOINT, masters=(*MASTERS, barred)))
    assert "visitor (192.0.2.30)" in judgement(found, "writer-not-allowed").text
    assert codes(surveyed(by_turns(PLC), site(SETPOINT, writers=("oven PLC",)))) == []


@pytest.mark.parametrize(("access", "word"), [("ro", "read-only"), ("none", "unreadable")])
def test_a_write_to_what_is_not_writable(access: str, word: str) -> None:
    """Both kinds of registers that nobody may write."""
    found = surveyed(written(5), site(replace(SETPOINT, access=access)))  # type: ignore[arg-type]
    assert codes(found) == ["read-only-written"] and word in found.judgements[0].text


def test_a_write_beside_what_is_declared() -> None:
    """Only where registers are declared at all."""
    assert codes(surveyed(written(5, address=41), DECLARED)) == ["undeclared-written"]
    assert codes(surveyed(written(5, address=41), site())) == []


# Request and right reply of the worked examples of the MODBUS Application Protocol Specification V1.1b3, sections
# 6.5, 6.6, 6.11, 6.12 and 6.16; the last byte of the reply is then changed.
ECHOES = {
    "6.5": ("05 00AC FF00", "05 00AC FF00"),
    "6.6": ("06 0001 0003", "06 0001 0003"),
    "6.11": ("0F 0013 000A 02 CD01", "0F 0013 000A"),
    "6.12": ("10 0001 0002 04 000A 0102", "10 0001 0002"),
    "6.16": ("16 0004 00F2 0025", "16 0004 00F2 0025"),
}


@pytest.mark.parametrize("section", ECHOES)
def test_an_echo_that_differs(section: str) -> None:
    """The standard's own reply is right; with its last byte changed it is not; a pipe leaves it open, and says so."""
    request, reply = (bytes.fromhex(text) for text in ECHOES[section])
    right, wrong = Plant(), Plant()
    exchange(master(right), 1, request, reply)
    exchange(master(wrong), 1, request, reply[:-1] + bytes([reply[-1] ^ 1]))
    assert "echo-differs" not in codes(surveyed(right, site()))
    assert reply.hex(" ") in judgement(surveyed(wrong, site()), "echo-differs").text
    piped = surveyed(wrong, site(), again=False)
    assert "echo-differs" not in codes(piped) and "cannot be told" in piped.notes[0]


def test_cyclic_writes_of_an_unchanged_value() -> None:
    """A fault where each wears a memory, else a remark; writes of new values are neither."""
    same, new = written(*[5] * 12), written(*range(12))
    kept = site(replace(SETPOINT, nonvolatile=True))
    assert codes(surveyed(same, kept)) == ["memory-worn"]
    assert codes(surveyed(same, DECLARED)) == ["unchanged-writes"]
    assert codes(surveyed(new, kept)) == []
    assert "feed the watchdog" in surveyed(same, site(SETPOINT, watchdog_ns=9 * SECOND)).judgements[0].text


def test_a_watchdog_fed_on_change_only() -> None:
    """Writes now and then feed nothing in a quiet night; cyclic ones do."""
    limits = {"watchdog_ns": 60 * SECOND, "fed_by": FedBy("write")}
    now_and_then = Plant()
    connection = master(now_and_then)
    for seconds, value in ((1, 5), (2.5, 6), (9, 7), (31, 8), (33, 9), (58, 10)):
        set_register(connection, seconds, 40, value)
    assert "fed-on-change-only" in codes(surveyed(now_and_then, site(SETPOINT, **limits)))
    assert "fed-on-change-only" not in codes(surveyed(written(*[5] * 12), site(SETPOINT, **limits)))


def loop(*steps: tuple[float, str, int]) -> Plant:
    """Reads ("r") of the temperature at 0, and writes ("w") of the setpoint."""
    plant = Plant()
    connection = master(plant)
    for seconds, act, value in steps:
        if act == "r":
            read_registers(connection, seconds, 0, value)
        else:
            set_register(connection, seconds, 40, value)
    return plant


TEMPERATURE = Register("temperature", first=0, type="int16", scale=0.1, access="ro")
LOOP = site(TEMPERATURE, replace(SETPOINT, feedback="temperature"))


def test_a_stale_measurement() -> None:
    """Readings each second; a write 3.5 s after the last one is late, one 2.5 s after it is not."""
    reads = [(float(k), "r", 5) for k in range(1, 10)]
    late = surveyed(loop(*reads, (9.5, "w", 5), (12.51, "w", 5)), LOOP)
    assert judgement(late, "stale-measurement").count == 1
    assert late.registers[0].age_ns.tolist() == [490_000_000, 3_500_000_000]
    assert codes(surveyed(loop(*reads, (9.5, "w", 5), (11.51, "w", 5)), LOOP)) == []
    strict = site(TEMPERATURE, replace(SETPOINT, feedback="temperature"), watchdog_ns=2 * SECOND)
    assert judgement(surveyed(loop(*reads, (11.51, "w", 5)), strict), "stale-measurement").count == 1


def test_a_setpoint_that_nothing_followed() -> None:
    """A step to 40 °C that the temperature never comes near; one to 20 °C that it reaches."""
    plant = loop((1, "w", 100), (1.5, "r", 100), (2, "w", 200), (3, "r", 200), (4, "w", 400), (5, "r", 210))
    assert "1 of 2 changes" in judgement(surveyed(plant, LOOP), "not-followed").text
    assert "not-followed" not in codes(surveyed(plant, LOOP, again=False))


def test_an_uneven_cycle() -> None:
    """Two of fourteen intervals of 5 s among those of 1 s; an even cycle is none."""
    plant, connection, now = Plant(), None, 1.0
    connection = master(plant)
    for k in range(15):
        set_register(connection, now, 40, k)
        now += 5 if k in (5, 10) else 1
    assert "uneven-cycle" in codes(surveyed(plant, DECLARED))
    assert "uneven-cycle" not in codes(surveyed(written(*range(15)), DECLARED))


def test_figures_of_a_register() -> None:
    """Counts of writes, different values, changes; the first, and the last that was not refused."""
    plant = written(10, 10, 30, 20, 20)
    exchange(master(plant, PLC, 49153), 9, struct.pack(">BHH", 6, 40, 90), b"\x86\x03")
    (made,) = surveyed(plant, DECLARED).registers
    assert (made.distinct, made.changes, made.unchanged, made.refused, made.unknown) == (4, 2, 2, 1, 0)
    assert (made.first, made.last, made.written.lowest, made.written.highest) == (1.0, 2.0, 1.0, 9.0)


def test_a_choice_of_device_and_register() -> None:
    """By name, address on the wire, device's name, address or key; what fits nothing leaves nothing."""
    plant = written(5)
    set_register(master(plant, PLC, 49153), 9, 41, 1)
    for choice in ({"register": "setpoint"}, {"register": "40"}, {"device": "zone", "register": "40"}):
        assert [r.trace.register.first for r in surveyed(plant, DECLARED, **choice).registers] == [40]  # type: ignore[arg-type]
    for device in ("zone", "192.0.2.50", "192.0.2.50:502/1"):
        assert len(surveyed(plant, DECLARED, device=device).registers) == 2
    assert surveyed(plant, DECLARED, register="4").registers == []
    assert surveyed(plant, Site.empty(), device="zone").registers == []


def test_every_check_has_its_row() -> None:
    """Each code that a check gives has a level and advice, and each row is given by something."""
    of_devices = {"echo-differs", "fed-on-change-only"}
    assert {code for code, _ in CHECKS} | of_devices == {kind.code for kind in KINDS}
