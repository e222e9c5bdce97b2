"""Process of one zone controller: a pymodbus server, one request at a time. Arguments: scenario, zone."""

from __future__ import annotations

import asyncio
import sys

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from plant.heater import REGISTERS, Heater
from plant.hosts import PORT, UNIT_ID, ZONES
from plant.peer import Clock, get_set
from plant.scenarios import Scenario, find, setpoint
from plant.service import Service

SLOWEST_ZONE, SLOWNESS = 4, 1.5  # an older controller
AFTER_S = 2.0  # serve longer than the masters ask


class Zone:
    """What the server calls for each request: wait for its turn, work, bring the registers up to date."""

    def __init__(self, scenario: Scenario, number: int, clock: Clock) -> None:
        self.clock = clock
        self.heater = Heater(number, setpoint=setpoint(scenario, number, 0.0))
        self.service = Service(seed=number, slowness=SLOWNESS if number == SLOWEST_ZONE else 1.0)
        self.turn = asyncio.Lock()

    async def request(
        self,
        function_code: int,
        start_address: int,
        address: int,
        count: int,
        current_registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Serve one access to the registers (pymodbus's SimAction); None: go on normally."""
        if function_code != 3 and set_values is None:
            return None  # pymodbus reads back what it has written
        self.heater.feed(self.clock.now_s())
        async with self.turn:
            now_s = self.clock.now_s()
            await asyncio.sleep(self.service.read_s(now_s) if set_values is None else self.service.write_s())
        for offset, value in enumerate(set_values or ()):
            self.heater.write(address + offset, int(value))
        self.heater.fill(current_registers)
        return None


async def serve(scenario: Scenario, number: int, clock: Clock) -> None:
    """Serve until the masters have finished."""
    zone = Zone(scenario, number, clock)
    data = SimData(0, count=REGISTERS, values=0, datatype=DataType.REGISTERS)
    device = SimDevice(UNIT_ID, simdata=data, action=zone.request)
    server = ModbusTcpServer(device, address=(ZONES[number - 1].address, PORT))
    await server.serve_forever(background=True)
    await clock.sleep_until(scenario.span_s + AFTER_S)
    await server.shutdown()  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    asyncio.run(serve(find(sys.argv[1]), int(sys.argv[2]), get_set()))
