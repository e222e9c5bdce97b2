"""Who may read and who may write, as a site states it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from mbsniff.site import Device, Limits, Master, Register, Site

PLC, STANDBY, STATION, STRANGER = "192.0.2.10", "192.0.2.11", "192.0.2.20", "192.0.2.99"
MASTERS = (
    Master("PLC", (PLC,), "control"),
    Master("standby", (STANDBY,), "control"),
    Master("station", (STATION,), may_write=False),
)
OPEN = Device("zone", "192.0.2.51")
KNOWN = Device("zone", "192.0.2.52", limits=Limits(masters=("control", "station")))
WRITERS = Device("zone", "192.0.2.53", limits=Limits(masters=("control", STATION), writers=("PLC",)))
ONLY_WRITERS = Device("zone", "192.0.2.54", limits=Limits(writers=("control",)))
SITE = Site(MASTERS, (OPEN, KNOWN, WRITERS, ONLY_WRITERS))


@pytest.mark.parametrize(
    ("device", "reads", "writes"),
    [
        (OPEN, (None, None, None, None), (None, None, False, None)),
        (KNOWN, (True, True, True, False), (True, True, False, False)),
        (WRITERS, (True, True, True, False), (True, False, False, False)),
        (ONLY_WRITERS, (None, None, None, None), (True, True, False, False)),
        (None, (None, None, None, None), (None, None, False, None)),
    ],
)
def test_masters_writers_and_what_is_not_stated(
    device: Device | None, reads: tuple[bool | None, ...], writes: tuple[bool | None, ...]
) -> None:
    """PLC, its standby, the station, a stranger: False where anything excludes them, None where nothing is stated."""
    everyone = (PLC, STANDBY, STATION, STRANGER)
    assert tuple(SITE.may_read(master, device) for master in everyone) == reads
    assert tuple(SITE.may_write(master, device) for master in everyone) == writes


def test_registers_have_the_last_word() -> None:
    """A register's writers replace the device's; what is read-only or unreadable is so for everyone."""
    own = Register("recipe", writers=("standby",))
    assert [SITE.may_write(m, WRITERS, own) for m in (PLC, STANDBY)] == [False, True]
    assert SITE.may_write(PLC, WRITERS, replace(own, access="ro")) is False
    assert SITE.may_read(PLC, WRITERS, replace(own, access="none")) is False
    assert SITE.may_read(PLC, WRITERS, own) is True


def test_a_group_stands_for_its_masters() -> None:
    """The name of a redundancy group, like a master's, means all its addresses."""
    assert SITE.addresses_of_master("control") == (PLC, STANDBY)
    assert SITE.addresses_of(["PLC", "198.51.100.7"]) == {PLC, "198.51.100.7"}


def test_defaults_hold_for_devices_that_are_not_declared() -> None:
    """masters and writers in [defaults] are everyone's."""
    site = Site(MASTERS, defaults=Limits(masters=("PLC",)))
    assert [site.may_read(master, None) for master in (PLC, STATION)] == [True, False]
