"""Setpoints written to zero: told where they stay so for longer than the timeout, and as a command, no fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from mbsniff.site.limits import FedBy
from tests.builders.measured import poll
from tests.builders.plant import Plant
from tests.diagnose.built import ZONE, diagnosis, every, master

FED_BY_WRITES = replace(ZONE, fed_by=FedBy("write", ((40, 40),)))


def written(
    value_at: Callable[[float], int], limits: Any = FED_BY_WRITES, until_s: float = 60
) -> list[dict[str, Any]]:
    """The findings where register 40 is written each second (V1.1b3, 6.6)."""
    plant = Plant()
    link = master(plant)
    for number, seconds in enumerate(every(1, 0, until_s), 1):
        request = bytes.fromhex("060028") + value_at(seconds).to_bytes(2, "big")
        poll(link, [seconds], request=request, reply=request, first=number)
    made: list[dict[str, Any]] = diagnosis(plant, limits)["findings"]
    return [f for f in made if f["code"] == "setpoint-zero"]


def test_a_setpoint_that_stays_zero_is_told_as_commanded() -> None:
    """Ten seconds of zeros: a remark, certain, from the first zero to the next other value, with both frames."""
    (found,) = written(lambda s: 0 if 20 <= s < 30 else 2400)
    assert (found["level"], found["cause"], found["cause_certainty"]) == ("remark", "commanded", "certain")
    assert found["from"].endswith("03:04:25.000000000Z") and found["until"].endswith("03:04:35.000000000Z")
    assert "192.0.2.10 wrote 0 to register 40 from 03:04:25.000 on, until 03:04:35.000" in found["text"]
    assert len(found["evidence"]) == 2


def test_a_setpoint_that_stays_zero_to_the_end_is_told_too() -> None:
    """The recording ends before anything else is written."""
    (found,) = written(lambda s: 0 if s >= 40 else 2400)
    assert "to the recording's end" in found["text"]


@pytest.mark.parametrize(
    "value_at",
    [
        pytest.param(lambda s: 0 if 20 <= s < 22 else 2400, id="shorter than the timeout"),
        pytest.param(lambda s: int(s) % 2, id="a life sign that toggles"),
        pytest.param(lambda _: 0, id="zero from the start"),
        pytest.param(lambda s: 5 if 20 <= s < 30 else 2400, id="another value than zero"),
    ],
)
def test_what_is_no_command_to_zero(value_at: Callable[[float], int]) -> None:
    """Nothing is told."""
    assert written(value_at) == []


def test_zeros_elsewhere_are_no_setpoint() -> None:
    """Where the site file says that other writes, or reads, feed the watchdog, this register means nothing."""
    for fed_by in (FedBy("write", ((50, 50),)), FedBy("read"), FedBy()):
        assert written(lambda s: 0 if 20 <= s < 30 else 2400, replace(ZONE, fed_by=fed_by)) == []


def test_at_most_five_stretches_are_told() -> None:
    """The rest is counted in the last one."""
    found = written(lambda s: 0 if s % 8 < 5 else 2400)
    assert len(found) == 5
    assert "further" in found[-1]["text"]
