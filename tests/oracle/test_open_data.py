"""The oracle on recorded traffic, against its published description and an independent decoder."""

import os
from collections import Counter
from pathlib import Path
from typing import Any

import dpkt
import pytest

from tests.oracle import read_captures
from tests.oracle.connections import connections
from tests.oracle.frames import read_frames
from tests.oracle.layers import decode
from tests.oracle.messages import Message, traffic

FOLDER = os.environ.get("MBSNIFF_OPEN_DATA")
pytestmark = pytest.mark.skipif(not FOLDER, reason="MBSNIFF_OPEN_DATA is not set")


@pytest.fixture(scope="module")
def capture() -> Path:
    return Path(FOLDER or "") / "cset2016-six-units.pcap"


@pytest.fixture(scope="module")
def reading(capture: Path) -> dict[str, Any]:
    return read_captures([capture])


def test_six_units_polled_every_ten_seconds(reading: dict[str, Any]) -> None:
    """One master, six units, three reads of 4 each every 10 s, and some writes.

    Source: "Providing SCADA network data sets for intrusion detection research", USENIX CSET 2016.
    """
    assert len(reading["devices"]) == 6
    for device in reading["devices"].values():
        cyclic = [poll for poll in device["polls"] if poll["kind"] == "cyclic"]
        assert [(poll["function"], poll["quantity"]) for poll in cyclic] == [(1, 4), (2, 4), (3, 4)]
        assert {poll["master"] for poll in cyclic} == {"192.168.1.100"}
        assert {round(poll["period_s"]["median"], 1) for poll in cyclic} == {10.0}
    assert sum(device["functions"].get("5", 0) for device in reading["devices"].values()) == 9


def test_one_unit_writes_to_another(reading: dict[str, Any]) -> None:
    """Among the writes is one that comes from a remote unit instead of the master."""
    masters = {name: device["masters"] for name, device in reading["devices"].items()}
    assert [name for name, of in masters.items() if of != ["192.168.1.100"]] == ["192.168.1.102:502/1"]
    assert masters["192.168.1.102:502/1"] == ["192.168.1.100", "192.168.1.101"]


def test_nothing_lost(reading: dict[str, Any]) -> None:
    """Every request has its answer; no copies, no holes, no exceptions."""
    recording = reading["recording"]
    for name in ("repeated_frames", "cut_short_frames", "unrecorded_bytes"):
        assert recording[name] == 0
    devices = reading["devices"].values()
    assert sum(d["requests"] for d in devices) == sum(d["answered"] for d in devices) == 1233
    assert recording["modbus_messages"] == 2 * 1233


def test_messages_as_scapy_decodes_them(capture: Path) -> None:
    """Identifier, unit, function and range of each message are those that scapy.contrib.modbus reads."""
    from scapy.contrib.modbus import ModbusADURequest, ModbusADUResponse

    frames = read_frames([capture])
    segments = [segment for i, frame in enumerate(frames) if (segment := decode(i, frame))]
    found: Counter[tuple[Any, ...]] = Counter()
    for connection in connections(segments, frozenset({502})):
        for event in traffic(connection).events:
            if isinstance(event, Message):
                found[event.frame, event.transaction, event.unit, event.pdu] += 1
    expected: Counter[tuple[Any, ...]] = Counter()
    with capture.open("rb") as file:
        for number, (_, data) in enumerate(dpkt.pcap.Reader(file)):
            payload = _tcp_payload(data)
            if payload:
                kind = ModbusADURequest if _to_server(data) else ModbusADUResponse
                message = kind(payload)
                assert message.len == len(message.payload) + 1
                key = (number, message.transId, message.unitId, bytes(message.payload))
                expected[key] += 1
    assert found == expected


def _tcp_payload(data: bytes) -> bytes:
    packet = dpkt.ethernet.Ethernet(data).data
    return bytes(packet.data.data) if isinstance(packet, dpkt.ip.IP) else b""


def _to_server(data: bytes) -> bool:
    return bool(dpkt.ethernet.Ethernet(data).data.data.dport == 502)
