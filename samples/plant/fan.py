"""Process of one fan's drive on the gateway's serial line: a pymodbus server. Arguments: scenario, unit."""

from __future__ import annotations

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from plant.hosts import SERIAL_PORT
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

REGISTERS, SPEED = 16, 1450  # 1/min
AFTER_S = 2.0
LINE = "127.0.0.1"  # of the gateway's own host, which no switch sees


async def serve(scenario: Scenario, unit_id: int, clock: Clock) -> None:
    """Serve the serial line until the masters have finished; its frames are RTU's, with CRC."""
    data = SimData(0, count=REGISTERS, values=SPEED, datatype=DataType.REGISTERS)
    device = SimDevice(unit_id, simdata=data)
    server = ModbusTcpServer(device, framer=FramerType.RTU, address=(LINE, SERIAL_PORT + unit_id))
    await server.serve_forever(background=True)
    await clock.sleep_until(scenario.span_s + AFTER_S)
    await server.shutdown()  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    asyncio.run(serve(find(sys.argv[1]), int(sys.argv[2]), get_set()))
