"""A pymodbus master and device talk over loopback in serial framing, by TCP and UDP: what was asked is what is read."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient, AsyncModbusUdpClient
from pymodbus.server import ModbusTcpServer, ModbusUdpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.readings import read
from tests.builders.recorder import write
from tests.builders.serial import Ends, datagram

Log = list[tuple[int, bytes]]
KINDS: dict[str, tuple[Any, Any]] = {
    "TCP": (ModbusTcpServer, AsyncModbusTcpClient),
    "UDP": (ModbusUdpServer, AsyncModbusUdpClient),
}
UNIT = 17
DONE = [
    (3, 0, 4),
    (3, 0, 2),
    (4, 8, 1),
    (1, 0, 9),
    (2, 3, 16),
    (5, 4, 1),
    (6, 1, 1),
    (15, 2, 5),
    (16, 3, 3),
    (3, 999, 4),
]
"""Function, start, quantity of all that the master does; the last one reaches past the device's registers."""


async def talk(client: Any) -> None:
    """Do all of it, once."""
    await client.read_holding_registers(0, count=4, device_id=UNIT)
    await client.read_holding_registers(0, count=2, device_id=UNIT)
    await client.read_input_registers(8, count=1, device_id=UNIT)
    await client.read_coils(0, count=9, device_id=UNIT)
    await client.read_discrete_inputs(3, count=16, device_id=UNIT)
    await client.write_coil(4, True, device_id=UNIT)
    await client.write_register(1, 3, device_id=UNIT)
    await client.write_coils(2, [True, False, True, True, False], device_id=UNIT)
    await client.write_registers(3, [10, 258, 65535], device_id=UNIT)
    assert (await client.read_holding_registers(999, count=4, device_id=UNIT)).exception_code == 2


async def recorded(way: str, framer: FramerType) -> Log:
    """What the device's side received and sent."""
    log: Log = []

    def trace(sending: bool, data: bytes) -> bytes:
        log.append((DEVICE if sending else MASTER, bytes(data)))
        return data

    server_kind, client_kind = KINDS[way]
    words = [SimData(0, values=7, count=100, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=False, count=100, datatype=DataType.BITS)]
    device = SimDevice(UNIT, simdata=(bits, bits, words, words))
    server = server_kind(device, framer=framer, address=("127.0.0.1", 0), trace_packet=trace)
    await server.serve_forever(background=True)
    sockets = server.transport.sockets if way == "TCP" else [server.transport.get_extra_info("socket")]
    port = sockets[0].getsockname()[1]
    client = client_kind("127.0.0.1", port=port, framer=framer, timeout=5, retries=0)
    try:
        assert await client.connect()
        await talk(client)
    finally:
        client.close()
        await server.shutdown()
    return log


def plant_of(log: Log, way: str) -> Plant:
    """The same bytes on a wire."""
    plant = Plant()
    ends: Ends = (("192.0.2.10", 49152), ("192.0.2.50", 502))
    if way == "TCP":
        connection = plant.connection(*ends).handshake()
        for side, data in log:
            connection.segment(side, data, wait=0.01)
    else:
        for side, data in log:
            datagram(plant, ends if side == MASTER else (ends[1], ends[0]), data, wait=0.01)
    return plant


@pytest.mark.parametrize("framer", [FramerType.RTU, FramerType.SOCKET])
@pytest.mark.parametrize("way", KINDS)
def test_all_that_was_asked_is_read(tmp_path: Path, way: str, framer: FramerType) -> None:
    """Functions, addresses, values and the exception, in either framing; all answered."""
    plant = plant_of(asyncio.run(recorded(way, framer)), way)
    exchange = read(write(tmp_path / "made.pcap", plant)).exchange
    asked = [exchange.poll_key(int(p)) for p in exchange.poll]
    assert [(key.function, key.start, key.quantity) for key in asked] == DONE
    assert {key.unit for key in asked} == {UNIT}
    kinds = set(exchange.kinds.tolist())
    assert kinds == ({2} if framer is FramerType.RTU else {1})  # by order, answered
    assert exchange.exception.tolist() == [0] * 9 + [2]
    assert exchange.value[[5, 6]].tolist() == [0xFF00, 3]
    begin, count = exchange.value_table[exchange.value[8]].tolist()
    assert exchange.value_bytes[begin : begin + count].tobytes() == bytes.fromhex("000A0102FFFF")
    assert exchange.connection_udp.tolist() == [way == "UDP"]
    assert exchange.connection_serial.tolist() == [20 if framer is FramerType.RTU else 0]
