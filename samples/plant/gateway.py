"""Process of the fans' gateway: Modbus TCP requests → a serial line, one at a time. Argument: scenario."""

from __future__ import annotations

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import ModbusException
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from plant.fan import LINE, REGISTERS
from plant.hosts import FANS, PORT, SERIAL_PORT
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

SERIAL_TIMEOUT_S = 0.4
AFTER_S = 2.0


class Target:
    """What lies behind one unit identifier; all share the line's turn."""

    def __init__(self, unit_id: int, turn: asyncio.Lock) -> None:
        self.unit_id, self.turn = unit_id, turn
        self.line = AsyncModbusTcpClient(
            LINE,
            port=SERIAL_PORT + unit_id,
            framer=FramerType.RTU,
            timeout=SERIAL_TIMEOUT_S,
            retries=0,
            reconnect_delay=0,
        )

    async def request(
        self,
        function_code: int,
        start_address: int,
        address: int,
        count: int,
        current_registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Ask the target; exception 0B where it does not answer in time (V1.1b3, section 7)."""
        async with self.turn:
            try:
                if not self.line.connected and not await self.line.connect():
                    return ExcCodes.GATEWAY_NO_RESPONSE
                reply = await self.line.read_holding_registers(address, count=count, device_id=self.unit_id)
            except ModbusException:
                self.line.close()
                return ExcCodes.GATEWAY_NO_RESPONSE
        current_registers[address - start_address : address - start_address + count] = reply.registers
        return None


async def serve(scenario: Scenario, clock: Clock) -> None:
    """Serve until the masters have finished."""
    turn = asyncio.Lock()
    data = SimData(0, count=REGISTERS, values=0, datatype=DataType.REGISTERS)
    devices = [SimDevice(unit_id, simdata=data, action=Target(unit_id, turn).request) for unit_id in FANS]
    server = ModbusTcpServer(devices, address=("0.0.0.0", PORT))
    await server.serve_forever(background=True)
    await clock.sleep_until(scenario.span_s + AFTER_S)
    await server.shutdown()  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    asyncio.run(serve(find(sys.argv[1]), get_set()))
