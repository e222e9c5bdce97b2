"""Process of one zone controller: a pymodbus server, one request at a time. Arguments: scenario, zone."""

from __future__ import annotations

import asyncio
import socket
import sys
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from plant.heater import CYCLIC_WRITES, REGISTERS, SETPOINT, Heater
from plant.hosts import PORT, UNIT_ID
from plant.peer import Clock, get_set
from plant.plan import Scenario, ZonePlan, setpoint
from plant.scenarios import find
from plant.service import Service

SLOWEST_ZONE, SLOWNESS = 4, 1.5  # an older controller
AFTER_S = 2.0  # serve longer than the masters ask
PROBES_READ_BY_PLC = 8  # and those after it
READING = (3, 23)
ANYWHERE = "0.0.0.0"  # within its namespace, whatever address it is given


class Zone:
    """What the server calls for each request: wait for its turn, work, bring the registers up to date."""

    def __init__(self, scenario: Scenario, number: int, clock: Clock) -> None:
        self.clock = clock
        self.number, self.fed_by_plc = number, scenario.fed_by_plc
        self.plan = scenario.zones.get(number, ZonePlan())
        self.heater = Heater(number, setpoint=setpoint(scenario, number, clock.now_s()))
        self.service = Service(number, SLOWNESS if number == SLOWEST_ZONE else 1.0, self.plan)
        self.turn = asyncio.Lock()
        self.waiting = 0

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
        if function_code not in READING and set_values is None:
            return None  # pymodbus reads back what it has written
        if self.plan.busy_from and self.waiting >= self.plan.busy_from:
            return ExcCodes.DEVICE_BUSY
        is_feed = not self.fed_by_plc or self._is_of_plc(address, count, set_values is not None)
        self.heater.notice(self.clock.now_s(), is_feed=is_feed)
        self.waiting += 1
        try:
            async with self.turn:
                now_s = self.clock.now_s()
                is_read = set_values is None
                await asyncio.sleep(self.service.read_s(now_s) if is_read else self.service.write_s())
        finally:
            self.waiting -= 1
        for offset, value in enumerate(set_values or ()):
            self.heater.write(address + offset, int(value))
        self.heater.fill(current_registers)
        return None

    def _is_of_plc(self, address: int, count: int, is_write: bool) -> bool:
        """Tell what only the PLC asks: it writes the setpoint, and reads more than the station does."""
        if self.number in CYCLIC_WRITES:
            return is_write and address == SETPOINT
        return not is_write and address + count > PROBES_READ_BY_PLC


class InOrder(ServerRequestHandler):
    """One connection: each reply bears its own request's identifier, also when a newer one has come meanwhile."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)  # type: ignore[no-untyped-call]
        self.turn = asyncio.Lock()
        self.serving: set[asyncio.Task[None]] = set()

    def handle_later(self) -> None:
        """Serve the request that has just come after those before it (pymodbus calls this once for each)."""
        assert self.last_pdu
        task = asyncio.create_task(self._serve(self.last_pdu))
        self.serving.add(task)
        task.add_done_callback(self.serving.discard)

    async def _serve(self, pdu: ModbusPDU) -> None:
        async with self.turn:
            reply = await pdu.datastore_update(self.server.context, pdu.dev_id)
            reply.transaction_id, reply.dev_id = pdu.transaction_id, pdu.dev_id
            self.server_send(reply, None)  # type: ignore[no-untyped-call]


class Server(ModbusTcpServer):
    """pymodbus's server with connections that serve in order."""

    def callback_new_connection(self) -> InOrder:
        """Give what will serve a new connection."""
        return InOrder(self, self.trace_packet, self.trace_pdu, self.trace_connect)


class Door:
    """The zone's server; where its connections are limited, it stops listening while all are taken, or evicts."""

    def __init__(self, zone: Zone) -> None:
        data = SimData(0, count=REGISTERS, values=0, datatype=DataType.REGISTERS)
        device = SimDevice(UNIT_ID, simdata=data, action=zone.request)
        self.slots, self.evicts = zone.plan.slots, zone.plan.evicts
        self.taken = 0
        self.listening: asyncio.Task[bool] | None = None
        self.server = Server(device, address=(ANYWHERE, PORT), trace_connect=self._count)

    def hang_up(self) -> None:
        """Close every connection in good order, and go on listening."""
        for handler in list(self.server.active_connections.values()):
            handler.transport.close()

    def keep_little(self) -> None:
        """Let TCP take as little as Linux can of a connection that is not read."""
        for listener in self.server.transport.sockets:  # type: ignore[attr-defined]
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)  # it takes the least that it allows

    def _count(self, is_connected: bool) -> None:
        self.taken += 1 if is_connected else -1
        if not self.slots:
            return
        if self.evicts:
            if self.taken > self.slots:
                next(iter(self.server.active_connections.values())).transport.close()
            return
        if self.taken >= self.slots and self.server.transport:
            self.server.transport.close()  # a closed port: attempts are reset, as with a full table
            self.server.transport = None  # type: ignore[assignment]
        elif self.taken < self.slots and not self.server.transport:
            self.listening = asyncio.create_task(self.server.listen())


async def serve(scenario: Scenario, number: int, clock: Clock) -> None:
    """Serve until the masters have finished."""
    zone = Zone(scenario, number, clock)
    door = Door(zone)
    await door.server.serve_forever(background=True)
    if zone.plan.keeps_little:
        door.keep_little()
    if zone.plan.hangs_up_at_s is not None:
        await clock.sleep_until(zone.plan.hangs_up_at_s)
        door.hang_up()
    await clock.sleep_until(scenario.span_s + AFTER_S)
    await door.server.shutdown()  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    asyncio.run(serve(find(sys.argv[1]), int(sys.argv[2]), get_set()))
