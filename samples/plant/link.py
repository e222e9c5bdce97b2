"""Reads and writes of a master → a pymodbus client's connection to one zone, opened again after it failed."""

from __future__ import annotations

import socket
import struct

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

from plant.hosts import PORT, UNIT_ID, Host


class Link:
    """One connection of a master to a zone.

    ``timeout_s`` holds for connecting and for each try; after ``retries`` further tries of the same request
    the connection is thrown away with a reset, and the next call opens a new one.
    """

    def __init__(self, zone: Host, timeout_s: float, retries: int) -> None:
        # pymodbus's own reconnecting is off: its delays would run beside the master's cycle.
        self.client = AsyncModbusTcpClient(
            zone.address, port=PORT, timeout=timeout_s, retries=retries, reconnect_delay=0
        )

    async def read(self, start: int, quantity: int) -> list[int] | None:
        """Read holding registers (function 3); None without a connection or reply, or after an exception."""
        if not await self._open():
            return None
        try:
            reply = await self.client.read_holding_registers(start, count=quantity, device_id=UNIT_ID)
        except ModbusException:
            self._throw_away()
            return None
        return None if reply.isError() else list(reply.registers)

    async def write(self, address: int, value: int) -> bool:
        """Write one holding register (function 6); true once the zone has confirmed it."""
        if not await self._open():
            return False
        try:
            reply = await self.client.write_register(address, value, device_id=UNIT_ID)
        except ModbusException:
            self._throw_away()
            return False
        return not reply.isError()

    def close(self) -> None:
        """Close the connection, if there is one."""
        self.client.close()

    def _throw_away(self) -> None:
        if transport := self.client.ctx.transport:
            # Without it the kernel goes on sending the request for minutes after the master has dropped it.
            sock = transport.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.client.close()

    async def _open(self) -> bool:
        return self.client.connected or await self.client.connect()
