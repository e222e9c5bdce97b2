"""`--port`: numbers, several of them, and "auto", with every command that reads captures."""

import json
from pathlib import Path

import pytest

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ
from tests.builders.plant import Plant
from tests.builders.recorder import write
from tests.builders.serial import rtu
from tests.cli.run import mbsniff


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    """Modbus at 5020, serial frames at 4001."""
    plant = Plant()
    one = plant.connection(device=("192.0.2.50", 5020))
    two = plant.connection(device=("192.0.2.51", 4001))
    for number in range(20):
        plant.wait(1)
        one.ask(adu(number, 1, READ))
        one.answer(adu(number, 1, DATA))
        two.ask(rtu(1, READ))
        two.answer(rtu(1, DATA))
    return write(tmp_path / "made.pcap", plant)


def test_ports_found(capture: Path) -> None:
    """The head and the JSON say which, and by what; standard input gives the same."""
    page = mbsniff("diagnose", str(capture), "--port", "auto").out
    assert "Ports: 4001 (20 by TCP, serial framing), 5020 (20 by TCP) found" in page
    run = mbsniff("diagnose", "-", "--port", "auto", "--format", "json", stdin=capture.read_bytes())
    assert run.status == 0, run.err
    made = json.loads(run.out)
    assert sorted(device["device"] for device in made["devices"]) == [
        "192.0.2.50:5020/1",
        "192.0.2.51:4001/1",
    ]
    assert made["recording"]["port_search"] == {
        "frames": 80,
        "found": [
            {"port": 4001, "exchanges": {"TCP, serial framing": 20}},
            {"port": 5020, "exchanges": {"TCP": 20}},
        ],
        "ports": [502, 4001, 5020],
        "refused": [],
    }


def test_ports_stated(capture: Path) -> None:
    """Several numbers; then nothing was looked for."""
    run = mbsniff("diagnose", str(capture), "--port", "5020", "--port", "4001", "--format", "json")
    made = json.loads(run.out)
    assert len(made["devices"]) == 2
    assert made["recording"]["port_search"] is None


def test_without_a_port_the_page_says_where_was_looked(capture: Path) -> None:
    """And what would find others."""
    assert "--port auto finds others" in " ".join(mbsniff("diagnose", str(capture)).out.split())


@pytest.mark.parametrize("command", ["writes", "plan", "site"])
def test_other_commands(capture: Path, command: str) -> None:
    """The same option with the same meaning."""
    run = mbsniff(command, str(capture), "--port", "auto")
    assert run.status in (0, 1), run.err
    assert "192.0.2.51" in run.out or command == "writes"


@pytest.mark.parametrize("wrong", ["0", "65536", "every", "-1", "502.5"])
def test_what_is_no_port(capture: Path, wrong: str) -> None:
    """One line that says what was expected."""
    run = mbsniff("diagnose", str(capture), "--port", wrong)
    assert run.status == 2
    assert "1" in run.err and "65535" in run.err and run.err.count("\n") == 1
