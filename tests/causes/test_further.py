"""Rows of the table that no pair of neighbours reaches, and what a verdict carries beside its cause."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes import Cause, cause_of
from mbsniff.measure.silences import limit_ns
from tests.builders.measured import poll
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.causes.judge import reading, site
from tests.causes.oven import BACK, FALL, Oven, reopened, zone_3
from tests.diagnose.built import ZONE, diagnosis, every, finding, master


def verdict(oven: Oven) -> Cause:
    """The verdict on zone 3's longest silence."""
    made = reading(oven)
    case = Case(made.exchange, made.facts, made.figures, site())
    zone = next(d for d in made.figures.devices if d.name == "zone 3")
    silence, limit = zone.silences.longest, limit_ns(zone.limits)
    assert silence and limit
    return cause_of(case, zone, silence, limit)


def ignored(*, host_answers: bool) -> Oven:
    """The PLC closes its connection and tries in vain to open another one; does zone 3's host answer look-ups?"""
    oven = Oven()
    talk = zone_3(oven)
    talk.to(FALL).close(MASTER)
    talk.link.close(DEVICE, wait=0.0004)
    talk.link.segment(MASTER, wait=0.0004)
    oven.attempts("plc", "zone3", [FALL + 1 + k for k in range(6)], refused=False)
    for k in range(3):
        oven.look_up(FALL + 2.3 + k, "station", "zone3", answered=host_answers, known=True)
    reopened(oven)
    return oven.rest({3})


def test_attempts_that_are_ignored_by_a_host_that_lives() -> None:
    """Its host answers look-ups: it takes no connection, or a filter drops them; both are told."""
    found = verdict(ignored(host_answers=True))
    assert found.code == "connect-refused"
    assert "its host answered 3 look-ups or echoes meanwhile" in found.text
    assert ("flow-dead", "a filter on the way may let everything through but this") in found.rivals
    assert "against device-unreachable: its host answered look-ups or echoes" in found.against


def test_attempts_that_nobody_answers() -> None:
    """The look-ups stay without an answer too: nobody is there, or the path is cut."""
    found = verdict(ignored(host_answers=False))
    assert (found.code, found.certainty) == ("device-unreachable", "certain")
    assert "looked up 3 times in vain" in found.text
    assert found.would_decide


def timeout_written(register: int) -> dict[str, Any]:
    """Polling stops right after a register was written; the master goes on with another device."""
    plant = Plant()
    poll(master(plant), every(1, 0.5, 20) + every(1, 30.5, 60))
    request = bytes([6, register >> 8, register & 0xFF, 0, 30])
    poll(master(plant, port=50000), [5.2, 19.8], request=request, reply=request, first=900)
    poll(master(plant, device=51, port=50001), every(1, 0, 60))
    return finding(diagnosis(plant, replace(ZONE, watchdog_register=100)), "watchdog-due")


@pytest.mark.parametrize(("register", "cause"), [(100, "commanded"), (101, "poll-dropped")])
def test_a_written_timeout_is_a_command(register: int, cause: str) -> None:
    """Where the site file names the register that states the timeout, a write of it outranks what came after."""
    found = timeout_written(register)
    assert found["cause"] == cause
    if cause == "commanded":
        assert "the register that states its timeout was written" in found["text"]
        assert "poll-dropped" in {rival["cause"] for rival in found["rivals"]}


def test_another_stations_reads_feed_nothing_and_excuse_nothing() -> None:
    """The PLC is silent and cut off; that the station goes on reading says only that the zones live."""
    oven = Oven()
    zone_3(oven)
    oven.talk("station", "zone3").cycles(0, 26, period_s=2, setpoint=None, quantity=4)
    talk = oven.talk("plc", "zone3")
    talk.cycles(BACK, 26)
    found = verdict(oven.rest({3}))
    assert found.code == "poll-dropped"
    assert "oven PLC (192.0.2.10) sent" in found.text
