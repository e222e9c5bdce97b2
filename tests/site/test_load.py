"""A whole site file read into limits per device."""

from pathlib import Path

import pytest

from mbsniff.site import Device, FedBy, Limits, Master, Site, load_site

BAKERY = """\
[defaults]
watchdog_s = 3
tolerance = 0.2
max_reads_per_s = 4

[[master]]
name = "oven PLC"
addresses = ["192.0.2.10", "2001:0DB8:0:0::10"]
group = "control"

[[master]]
name = "standby PLC"
addresses = ["192.0.2.11"]
group = "control"

[[master]]
name = "supervisory station"
addresses = ["192.0.2.20"]

[[device]]
name = "zone 1"
address = "192.0.2.51"
unit_id = 1
fed_by = { write = "40-41, 48", change = true, master = "oven PLC" }
on_loss = "shut-off"
max_block = 16
masters = ["oven PLC", "192.0.2.20"]

[[device]]
name = "zone 2"
address = "192.0.2.52"
port = 1502
units = [0, 1, 255]
watchdog_s = 0
tolerable_outage_s = 1.5
fed_by = "read"
exceptions_feed = true

[[device]]
address = "2001:DB8::53"
gateway = true
units = [3, 4]
watchdog_s = 0.25
fed_by = { read = true }

[[device]]
name = "recipe terminal"
address = "192.0.2.54"
"""


@pytest.fixture
def bakery(tmp_path: Path) -> Site:
    path = tmp_path / "site.toml"
    path.write_text(BAKERY, encoding="utf-8")
    return load_site(str(path))


def test_every_key_reaches_its_field(bakery: Site) -> None:
    """Values arrive as given, seconds as nanoseconds; what a device leaves out comes from the defaults."""
    assert bakery.defaults == Limits(watchdog_ns=3_000_000_000, tolerance=0.2, max_reads_per_s=4.0)
    assert bakery.devices[0] == Device(
        "zone 1",
        "192.0.2.51",
        502,
        (1,),
        limits=Limits(
            watchdog_ns=3_000_000_000,
            tolerance=0.2,
            fed_by=FedBy("write", ((40, 41), (48, 48)), change=True, master="oven PLC"),
            on_loss="shut-off",
            max_block=16,
            max_reads_per_s=4.0,
            masters=("oven PLC", "192.0.2.20"),
        ),
    )
    second = bakery.devices[1].limits
    assert (second.watchdog_ns, second.tolerable_outage_ns, second.exceptions_feed) == (
        0,
        1_500_000_000,
        True,
    )
    assert second.fed_by == FedBy("read")
    assert bakery.devices[2].limits.fed_by == FedBy("read")
    assert bakery.devices[2].limits.watchdog_ns == 250_000_000


def test_addresses_are_canonical(bakery: Site) -> None:
    """However an IPv6 address is written (RFC 5952 names the shortest form), it becomes the same text."""
    assert bakery.masters[0] == Master("oven PLC", ("192.0.2.10", "2001:db8::10"), "control")
    assert bakery.devices[2].address == "2001:db8::53"
    assert bakery.name_of_master("2001:DB8:0::10") == "oven PLC"


def test_device_for_finds_unit_endpoint_or_nothing(bakery: Site) -> None:
    """A unit belongs to the device that names it; a device without units has all that are left."""
    assert bakery.device_for("192.0.2.51", 502, 1) is bakery.devices[0]
    assert bakery.device_for("192.0.2.51", 502, 2) is None
    assert bakery.device_for("192.0.2.51", 1502, 1) is None
    assert [bakery.device_for("192.0.2.52", 1502, u) for u in (0, 1, 255)] == [bakery.devices[1]] * 3
    assert bakery.device_for("192.0.2.54", 502, 77) is bakery.devices[3]
    assert bakery.limits_for("192.0.2.99", 502, 1) == bakery.defaults


def test_exact_unit_goes_before_the_endpoint(tmp_path: Path) -> None:
    """A device that names the unit is found before one of the same endpoint that names none."""
    path = tmp_path / "site.toml"
    path.write_text(
        '[[device]]\naddress = "192.0.2.50"\nmax_block = 8\n'
        '[[device]]\naddress = "192.0.2.50"\nunit_id = 0\nmax_block = 16\n'
    )
    site = load_site(str(path))
    assert [site.limits_for("192.0.2.50", 502, unit).max_block for unit in (0, 1)] == [16, 8]


def test_one_box_only_where_it_is_no_gateway(bakery: Site) -> None:
    """Several units are one device, except behind a gateway."""
    assert [device.is_one_box for device in bakery.devices] == [False, True, False, False]


def test_masters_by_name_and_group(bakery: Site) -> None:
    """Addresses of one master are joined, and those of one redundancy group."""
    assert bakery.addresses_of_master("oven PLC") == ("192.0.2.10", "2001:db8::10")
    assert bakery.addresses_of_master("198.51.100.7") == ("198.51.100.7",)
    assert bakery.name_of_master("192.0.2.99") is None
    assert bakery.address_groups() == (
        Master("control", ("192.0.2.10", "2001:db8::10", "192.0.2.11"), "control"),
        Master("supervisory station", ("192.0.2.20",)),
    )


def test_options_fill_only_what_the_file_leaves_open(bakery: Site) -> None:
    """An option is the limit of devices, declared or not, to which the file gives none."""
    site = bakery.with_options(watchdog_ns=9_000_000_000, max_block=10, max_reads_per_s=1)
    assert [device.limits.max_block for device in site.devices] == [16, 10, 10, 10]
    assert [device.limits.watchdog_ns for device in site.devices] == [
        3_000_000_000,
        0,
        250_000_000,
        3_000_000_000,
    ]
    assert site.limits_for("192.0.2.99", 502, 1) == Limits(
        3_000_000_000, 0.2, max_block=10, max_reads_per_s=4.0
    )


def test_options_without_a_file() -> None:
    """Without a site file the options hold for every device; without either nothing is judged."""
    assert Site.empty().limits_for("192.0.2.50", 502, 1) == Limits()
    site = Site.empty().with_options(watchdog_ns=3_000_000_000)
    assert site.limits_for("192.0.2.50", 502, 1) == Limits(watchdog_ns=3_000_000_000)


@pytest.mark.parametrize(
    "text",
    ["", "# nothing yet\n", "\ufeff[defaults]\r\nwatchdog_s = 3\r\n", 'device = [{ address = "192.0.2.1" }]'],
)
def test_unusual_but_right_files(tmp_path: Path, text: str) -> None:
    """An empty file, a byte order mark, CR LF line ends and inline tables are all fine."""
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8", newline="")
    site = load_site(str(path))
    assert site.path == str(path)
    assert (len(site.devices), site.defaults.watchdog_ns) in {(0, None), (0, 3_000_000_000), (1, None)}
