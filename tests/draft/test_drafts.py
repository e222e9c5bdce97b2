"""Drafts of site files: they load, hold what was seen, and never make up a limit."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from mbsniff.draft import draft, observe
from mbsniff.site import Limits, Register, Site, load_site
from tests.builders.adus import adu
from tests.builders.plant import Plant
from tests.builders.readings import read
from tests.builders.recorder import write
from tests.builders.strategies import captures

SAMPLES = Path(__file__).parents[2] / "samples"
FILES = (
    "block-edge.pcap",
    "healthy-shift.pcap",
    "link-down.pcap",
    "plc-silent.pcapng",
    "recipe-terminal.pcapng.gz",
)


def drafted(capture: Path, hardware: dict[str, tuple[str, ...]] | None = None) -> tuple[str, Site]:
    """The draft of a recording, as text and loaded."""
    reading = read(capture)
    text = draft(observe(reading.exchange, reading.figures), reading.figures, reading.facts, hardware)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "draft.toml"
        path.write_text(text, encoding="utf-8")
        return text, load_site(str(path))


def without_names(made: dict[str, Any]) -> dict[str, Any]:
    """Devices, endpoints and levels of findings, without what a site file may call them."""
    devices = [{**device, "name": None} for device in made["devices"]]
    return {
        "devices": devices,
        "endpoints": made.get("endpoints"),
        "codes": [f["code"] for f in made["findings"]],
    }


@pytest.mark.parametrize("name", FILES)
def test_a_draft_loads_and_changes_no_figure(name: str) -> None:
    """The diagnosis with the draft is the one without it, apart from names."""
    _, site = drafted(SAMPLES / name)
    with_draft, without = read(SAMPLES / name, site).json, read(SAMPLES / name).json
    assert without_names(with_draft) == without_names(without)
    assert all(device["name"] for device in with_draft["devices"])


@pytest.mark.parametrize("name", FILES)
def test_a_draft_states_no_limit(name: str) -> None:
    """Whatever was observed, nothing is stated that only manual, configuration or owner can tell."""
    _, site = drafted(SAMPLES / name)
    assert site.defaults == Limits()
    assert {each.limits for each in (*site.devices, *site.families)} == {Limits()}
    assert all(master.may_write is None and master.timeout_ns is None for master in site.masters)
    for device in site.devices:
        assert all(r.minimum is None and r.period_ns is None and r.name is None for r in device.registers)


def test_registers_as_they_were_used() -> None:
    """Zone 3 of link-down: 16 read, 40 and 41 written apart, the latter at this zone alone."""
    text, site = drafted(SAMPLES / "link-down.pcap")
    shared = (Register(None, first=0, count=16), Register(None, first=40))
    assert [device.registers for device in site.devices] == [
        (*shared, Register(None, first=41)) if number == 3 else shared for number in range(1, 7)
    ]
    assert [family.registers for family in site.families] == [shared]
    assert "observed: raw 1950 to 2600" in text
    assert "# Observed: 192.0.2.10 reads 0 to 15 (function 3), cyclic, every 1 s; at 6 devices" in text
    assert "# watchdog_s =" in text and "observed: longest silence 9.87 s" in text


def test_what_the_device_refused_is_no_register() -> None:
    """Five registers from 96 cross the end of 100: told, with what an address one too high looks like."""
    text, site = drafted(SAMPLES / "block-edge.pcap")
    assert max(r.last for device in site.devices for r in device.registers) == 99
    flat = " ".join(text.replace("\n# ", " ").split())
    assert "Refused 8 times with exception 2, no such address: function 3, 5 addresses from 96." in flat


def test_hardware_addresses_seen_once_several_times_and_not_at_all() -> None:
    """One is stated; several are only told; none is left open."""
    hardware = {
        "192.0.2.51": ("00-00-5E-00-53-51",),
        "192.0.2.52": ("00-00-5E-00-53-52", "00-00-5E-00-53-99"),
        "192.0.2.10": ("00-00-5E-00-53-10",),
    }
    text, site = drafted(SAMPLES / "healthy-shift.pcap", hardware)
    assert [d.hardware_address for d in site.devices[:3]] == ["00-00-5E-00-53-51", None, None]
    assert site.masters[0].hardware_addresses == ("00-00-5E-00-53-10",)
    assert "several were seen: 00-00-5E-00-53-52, 00-00-5E-00-53-99" in text
    assert "# hardware_address =" in text


def test_bits_masks_and_both_at_once(tmp_path: Path) -> None:
    """Coils, discrete and input registers, a mask write and function 23 land in the tables of the specification."""
    exchanges = (  # MODBUS Application Protocol Specification V1.1b3, sections 6.1, 6.2, 6.4, 6.5, 6.16, 6.17
        ("01 0013 0013", "01 03 CD6B05"),
        ("02 00C4 0016", "02 03 ACDB35"),
        ("04 0008 0001", "04 02 000A"),
        ("05 00AC FF00", "05 00AC FF00"),
        ("16 0004 00F2 0025", "16 0004 00F2 0025"),
        ("17 0020 0006 000E 0003 06 00FF00FF00FF", "17 0C 00FE0ACD00010003000D00FF"),
    )
    plant = Plant()
    link = plant.connection()
    for number, (asked, replied) in enumerate(exchanges, 1):
        link.ask(adu(number, 1, bytes.fromhex(asked)), wait=1)
        link.answer(adu(number, 1, bytes.fromhex(replied)))
    _, site = drafted(write(tmp_path / "made.pcap", plant))
    assert [(r.table, r.first, r.count, r.access) for r in site.devices[0].registers] == [
        ("holding", 4, 1, "rw"),
        ("holding", 14, 3, "rw"),
        ("holding", 32, 6, "rw"),
        ("input", 8, 1, "ro"),
        ("coil", 19, 19, "rw"),
        ("coil", 172, 1, "rw"),
        ("discrete", 196, 22, "ro"),
    ]


def test_recordings_without_modbus(tmp_path: Path) -> None:
    """There is nothing to draft, and the draft says so and loads."""
    plant = Plant()
    plant.connection(device=("192.0.2.99", 80)).segment(0, b"x")
    text, site = drafted(write(tmp_path / "made.pcap", plant))
    assert "No Modbus TCP was recorded" in text and site.devices == ()


def test_addresses_that_no_station_has(tmp_path: Path) -> None:
    """A site file takes no multicast address: such talk is only mentioned."""
    plant = Plant()
    link = plant.connection(device=("224.0.0.9", 502))
    link.ask(adu(1, 1, bytes.fromhex("0300000001")))
    link.answer(adu(1, 1, bytes.fromhex("03020000")))
    text, site = drafted(write(tmp_path / "made.pcap", plant))
    assert site.devices == () and "224.0.0.9:502/1" in text


def test_file_names_cannot_leave_their_comment(tmp_path: Path) -> None:
    """Line ends and controls in the recording's name are spelt out."""
    capture = tmp_path / 'x\n[defaults]\nwatchdog_s = 3\n\x1b[2J".pcap'
    capture.write_bytes((SAMPLES / "healthy-shift.pcap").read_bytes())
    text, site = drafted(capture)
    assert "\x1b" not in text and site.defaults == Limits()


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow], print_blob=False)
@given(captures(60))
def test_any_traffic(capture) -> None:  # type: ignore[no-untyped-def]
    """Whatever went by: the draft loads, is printable, states no limit and changes no figure."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.pcap"
        path.write_bytes(capture.data)
        text, site = drafted(path)
        assert all(line.isprintable() for line in text.splitlines())
        assert {each.limits for each in (*site.devices, *site.families)} <= {Limits()}
        with_draft, without = read(path, site).json, read(path).json
    assert json.dumps(without_names(with_draft)) == json.dumps(without_names(without))
