"""Setpoints and readings in, the control loop's figures out: cycle, age of the measurement, what followed."""

from __future__ import annotations

from mbsniff.audit import Written
from mbsniff.site import Register
from tests.audit.made import STATION, master, read_registers, set_register, site
from tests.builders.plant import Plant
from tests.writes.made import surveyed

MS = 10**6
FEEDBACK = Register("temperature", first=0, type="int16", scale=0.1)
SETPOINT = Register("setpoint", first=40, type="int16", scale=0.1, feedback="temperature")


def loop(*steps: tuple[float, str, int]) -> Written:
    """Reads ("r") of the temperature, and writes ("w") of the setpoint, at their times; replies after 10 ms."""
    plant = Plant()
    connection = master(plant)
    for seconds, act, value in steps:
        if act == "r":
            read_registers(connection, seconds, 0, value)
        else:
            set_register(connection, seconds, 40, value)
    (found,) = surveyed(plant, site(FEEDBACK, SETPOINT)).registers
    return found.written


def test_the_age_of_the_last_reading() -> None:
    """From the reply that brought it to the write; a write before any reading has no age."""
    made = loop((1, "w", 10), (2, "r", 10), (2.5, "w", 11), (3, "r", 11), (3.11, "w", 12))
    assert made.age is not None
    assert (made.age.count, made.age.max, made.age.median) == (2, 490 * MS, 100 * MS)


def test_a_reading_by_another_master_is_not_what_the_controller_knows() -> None:
    """Only what the writing master read itself counts."""
    plant = Plant()
    read_registers(master(plant, STATION), 1, 0, 7)
    set_register(master(plant), 2, 40, 10)
    assert surveyed(plant, site(FEEDBACK, SETPOINT)).registers[0].written.age is None


def test_what_followed_and_when() -> None:
    """A step from 10 to 20 °C has arrived at 19 °C, within a tenth of it; one nothing followed is counted apart."""
    rise = [(3.0, "r", 120), (4.0, "r", 189), (5.0, "r", 190), (6.0, "r", 200)]
    made = loop(
        (1, "w", 100), (1.5, "r", 100), (2, "w", 200), *rise, (7, "w", 400), (8, "r", 200), (9, "r", 201)
    )
    assert made.follows is not None and made.follows.after is not None
    assert (made.follows.changes, made.follows.followed) == (2, 1)
    assert made.follows.after.max == 3010 * MS
    assert len(made.follows.missed) == 1
    assert "1 of 2 changes not followed" in made.remarks


def test_a_change_without_a_reading_after_it_is_not_judged() -> None:
    """Where the recording ends, or the next change comes first, nothing is said."""
    made = loop((1, "w", 100), (1.5, "r", 100), (2, "w", 200))
    assert made.follows is not None and made.follows.changes == 0


def test_the_cycle() -> None:
    """Times between writes, as nearest ranks."""
    made = loop(*[(1 + k * 0.5, "w", 10) for k in range(9)], (6.5, "w", 10))
    assert made.period is not None
    assert (made.period.median, made.period.max) == (500 * MS, 1500 * MS)
    assert made.remarks == ("9 cyclic writes of an unchanged value",)
