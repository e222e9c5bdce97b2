"""Families, register tables and register lists, read into devices."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.site import Device, Family, Register, Site, Tripped, load_site

BAKERY = """\
[defaults]
max_reads_per_s = 4
numbering = "from-1"
writers = ["oven PLC"]

[[master]]
name = "oven PLC"
addresses = ["192.0.2.10"]
may_read = true
timeout_s = 0.5
hardware_addresses = ["00:00:5e:00:53:10"]

[[family]]
name = "zone"
watchdog_s = 3
max_block = 16
registers = "zone.csv"
watchdog_register = "timeout"
watchdog_unit_s = 0.001
status_register = 3
status_tripped = { mask = 0x0F, value = 2 }

[[family.register]]
name = "setpoint"
number = 41
type = "int16"
scale = 0.1
engineering_unit = "°C"
minimum = 0
maximum = 300
nonvolatile = true
period_s = 1.5
masters = ["oven PLC"]
writers = ["192.0.2.10"]
feedback = "temperature"

[[device]]
name = "zone 1"
address = "192.0.2.51"
family = "zone"
unit_id = 1
hardware_address = "00-00-5e-00-53-51"

[[device]]
name = "zone 2"
address = "192.0.2.52"
family = "zone"
max_block = 8
registers = "more.csv"

[[device.register]]
name = "temperature"
table = "input"
first = 9
type = "float32"
word_order = "low-first"
count = 4
"""
ZONE = """\
name,table,first,count,access,type\r
temperature,,0,,ro,\r
timeout,holding,60,,,uint32\r
\r
,,70,10,none,\r
,coil,3,2,,\r
"""
MORE = "\ufeffname;first;scale\nheater current;70;0.01\n"


@pytest.fixture
def bakery(tmp_path: Path) -> Site:
    (tmp_path / "site.toml").write_text(BAKERY, encoding="utf-8")
    (tmp_path / "zone.csv").write_text(ZONE, encoding="utf-8", newline="")
    (tmp_path / "more.csv").write_text(MORE, encoding="utf-8")
    return load_site(str(tmp_path / "site.toml"))


TEMPERATURE = Register("temperature", "holding", 0, 1, "ro")
SETPOINT = Register(
    "setpoint", "holding", 40, 1, "rw", "int16", "high-first", 0.1, 0.0, "°C", 0.0, 300.0, True,
    1_500_000_000, ("oven PLC",), ("192.0.2.10",), "temperature",
)  # fmt: skip
TIMEOUT = Register("timeout", "holding", 60, 2, "rw", "uint32")
NOT_READABLE = Register(None, "holding", 70, 10, "none")
COILS = Register(None, "coil", 3, 2, "rw", "bool")


def test_every_key_of_a_register_reaches_its_field(bakery: Site) -> None:
    """Tables and list together, by table and address; what is not given follows from table and type."""
    assert bakery.devices[0].registers == (TEMPERATURE, SETPOINT, TIMEOUT, NOT_READABLE, COILS)
    assert bakery.registers_for("192.0.2.51", 502, 1) == bakery.devices[0].registers
    assert bakery.registers_for("192.0.2.99", 502, 1) == ()


def test_limits_come_from_device_family_and_defaults_in_this_order(bakery: Site) -> None:
    """Each limit is the nearest one stated."""
    first, second = (device.limits for device in bakery.devices)
    assert (first.watchdog_ns, first.max_block, first.max_reads_per_s) == (3_000_000_000, 16, 4.0)
    assert (second.watchdog_ns, second.max_block) == (3_000_000_000, 8)
    assert bakery.families == (Family("zone", first, (TEMPERATURE, SETPOINT, TIMEOUT, NOT_READABLE, COILS)),)
    assert bakery.defaults.max_block is None and bakery.defaults.writers == ("oven PLC",)


def test_a_devices_registers_replace_those_of_its_family(bakery: Site) -> None:
    """By name (temperature) or by touching its addresses (the unreadable ones from 70); all others stay."""
    current = Register("heater current", "holding", 70, scale=0.01)
    own = Register("temperature", "input", 9, 4, "ro", "float32", "low-first")
    assert bakery.devices[1].registers == (SETPOINT, TIMEOUT, current, own, COILS)


def test_masters_and_hardware_addresses(bakery: Site) -> None:
    """Hardware addresses are written as RFC 7042 does, whatever separates the octets."""
    master = bakery.masters[0]
    assert (master.may_read, master.may_write, master.timeout_ns) == (True, None, 500_000_000)
    assert master.hardware_addresses == ("00-00-5E-00-53-10",)
    assert bakery.devices[0].hardware_address == "00-00-5E-00-53-51"


def test_the_register_that_states_the_timeout(tmp_path: Path, bakery: Site) -> None:
    """Its words give seconds; by address it is the declared register there, or a plain one where none is."""
    first, second = bakery.devices[0], bakery.devices[0].status_register
    assert first.watchdog_register == TIMEOUT
    assert first.stated_watchdog_s([0, 3000]) == 3.0
    assert first.stated_watchdog_s([0]) is None
    assert second == Register(None, first=3)
    assert first.limits.status_tripped == Tripped(0x0F, 2)
    path = tmp_path / "other.toml"
    path.write_text(
        '[[device]]\naddress = "192.0.2.50"\nwatchdog_register = 61\n'
        '[[device.register]]\nname = "times"\nfirst = 60\ncount = 4\nscale = 0.1\n'
    )
    other = load_site(str(path)).devices[0]
    assert other.watchdog_register == Register("times", first=61, scale=0.1)
    assert other.stated_watchdog_s([30]) == 3.0
    assert Device(None, "192.0.2.50").stated_watchdog_s([30]) is None


@pytest.mark.parametrize(("status", "tripped"), [(2, True), (0x12, True), (3, False), (0, False)])
def test_which_status_says_that_it_tripped(bakery: Site, status: int, tripped: bool) -> None:
    """Only the bits under the mask count."""
    assert bakery.devices[0].limits.status_tripped == Tripped(0x0F, 2)
    assert Tripped(0x0F, 2).by(status) is tripped


def test_a_mask_alone_asks_for_all_its_bits(tmp_path: Path) -> None:
    """{ mask = 6 } means both bits set."""
    path = tmp_path / "site.toml"
    path.write_text("[defaults]\nstatus_tripped = { mask = 6 }\n")
    assert load_site(str(path)).defaults.status_tripped == Tripped(6, 6)


def test_registers_touch_and_find(bakery: Site) -> None:
    """Look-ups by name and by address agree with what is declared."""
    device = bakery.devices[0]
    assert device.register_named("setpoint") == device.register_at("holding", 40) == SETPOINT
    assert device.register_at("holding", 61) == TIMEOUT
    assert device.register_at("input", 40) is None and device.register_named("x") is None
    assert NOT_READABLE.touches("holding", 60, 11) and not NOT_READABLE.touches("holding", 80, 5)
    assert not NOT_READABLE.touches("input", 70)
    assert (NOT_READABLE.last, NOT_READABLE.readable, COILS.writable, TEMPERATURE.writable) == (
        79, False, True, False,
    )  # fmt: skip


def test_labels_show_both_numbers(bakery: Site) -> None:
    """A register is called by its name, its address and the manual's number."""
    numbering = bakery.devices[0].limits.numbering
    assert SETPOINT.label(numbering) == "setpoint (holding 40 (no. 41))"
    assert NOT_READABLE.label("5-digit") == "holding 70–79 (no. 40071–40080)"
