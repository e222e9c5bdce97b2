"""What counts as one device and one master, and which devices are polled regularly."""

import pytest

from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits, Master
from tests.builders.measured import device_of, figures_of, poll
from tests.builders.plant import Plant


def two_units_two_masters() -> Plant:
    plant = Plant()
    poll(plant.connection(), [0, 1], unit=1)
    poll(plant.connection(("192.0.2.11", 49152)), [2, 5], unit=255)
    return plant


def test_undeclared_units_are_devices() -> None:
    """Without a site every unit is a device, sorted by address, port and unit as numbers."""
    plant = two_units_two_masters()
    poll(plant.connection(device=("192.0.2.9", 502)), [6], unit=17)
    poll(plant.connection(device=("2001:db8::1", 502), master=("2001:db8::2", 1)), [7])
    keys = [device.key for device in figures_of(plant).devices]
    assert keys == ["192.0.2.9:502/17", "192.0.2.50:502/1", "192.0.2.50:502/255", "[2001:db8::1]:502/1"]


@pytest.mark.parametrize(("gateway", "keys"), [(False, ["1,255"]), (True, ["1", "255"])])
def test_units_of_one_box(gateway: bool, keys: list[str]) -> None:
    """Units declared together are one device, with its own silences; behind a gateway they stay apart."""
    declared = Device("zone", "192.0.2.50", units=(1, 255), gateway=gateway, limits=Limits(watchdog_ns=10**9))
    found = figures_of(two_units_two_masters(), Site(devices=(declared,))).devices
    assert [device.key for device in found] == [f"192.0.2.50:502/{key}" for key in keys]
    assert {device.name for device in found} == {"zone"}
    longest = [device.silences.longest for device in found]
    assert [silence.length_ns // 10**9 for silence in longest if silence] == ([1, 3] if gateway else [3])


def test_masters_of_a_group() -> None:
    """Addresses of a redundancy group, or of one master, count as one master, under the first."""
    masters = (Master("a", ("192.0.2.10",), "plc"), Master("b", ("192.0.2.11",), "plc"))
    (device, other) = figures_of(two_units_two_masters(), Site(masters=masters)).devices
    assert (device.masters, other.masters) == (["192.0.2.10"], ["192.0.2.10"])
    apart = figures_of(two_units_two_masters()).devices
    assert [each.masters for each in apart] == [["192.0.2.10"], ["192.0.2.11"]]


@pytest.mark.parametrize(
    ("times", "until_s", "regular"),
    [
        ([0, 1, 2, 3, 4], 100, True),
        ([0, 1, 2, 3], 4, False),
        ([0, 0.2, 2, 2.2, 3, 3.2, 7, 7.1, 7.2, 10], 20, True),
        ([0, 0.2, 2, 2.2, 3, 3.2, 7, 7.1, 7.2, 10], 20.1, False),
        ([0.2, 2, 2.2, 3, 3.2, 7, 7.1, 7.2, 10], 11, False),
    ],
)
def test_regular(times: list[float], until_s: float, regular: bool) -> None:
    """Regularly polled: a cyclic poll, or 10 requests that span at least half of the recording."""
    plant = Plant()
    poll(plant.connection(), times, reply_s=0.01)
    assert device_of(plant, until_s=until_s).regular is regular


def test_orphans_do_not_make_a_device_regular() -> None:
    """Replies without requests neither count as requests nor widen their span."""
    plant = Plant()
    connection = plant.connection()
    poll(connection, [0, 0.2, 2, 2.2, 3, 3.2, 7, 7.1, 7.2, 7.9], reply_s=0.01)
    connection.answer(bytes.fromhex("0063 0000 0005 01 03 02 0007"), wait=90)
    device = device_of(plant)
    assert (device.regular, device.requests, device.statuses["orphan"]) == (False, 10, 1)


def test_only_orphans() -> None:
    """A unit of which only replies were recorded is a device without requests, masters and polls."""
    plant = Plant()
    plant.connection().answer(bytes.fromhex("0063 0000 0005 01 03 02 0007"), wait=1)
    device = device_of(plant)
    assert (device.requests, device.masters, device.polls, device.regular) == (0, [], [], False)
    assert (device.first_ns, device.last_ns, device.silences.feeds) == (None, None, 0)
