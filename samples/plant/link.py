"""Reads and writes of a master → a pymodbus client's connection to one device, opened again after it failed."""

from __future__ import annotations

import socket
import struct
import time

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from plant.hosts import PORT, UNIT_ID, Host

FAILURES = 1_000_000  # as good as any number


class Link:
    """One connection of a master to a device.

    ``timeout_s`` holds for connecting and for each try; after ``retries`` further tries of the same request
    the connection is thrown away with a reset, unless the master keeps it, and the next call opens a new one. One that
    the device closed, or `hang_up`, is opened again after ``reconnect_s``.
    """

    def __init__(
        self,
        device: Host,
        timeout_s: float,
        retries: int,
        *,
        unit_id: int = UNIT_ID,
        keeps_connection: bool = False,
        reconnect_s: float = 0.0,
        keep_alive_s: int = 0,
    ) -> None:
        self.unit_id, self.keeps_connection = unit_id, keeps_connection
        self.reconnect_s, self.keep_alive_s = reconnect_s, keep_alive_s
        self.again_s = 0.0
        # pymodbus's own reconnecting is off: its delays would run beside the master's cycle.
        self.client = AsyncModbusTcpClient(
            device.address,
            port=PORT,
            timeout=timeout_s,
            retries=retries,
            reconnect_delay=0,
            trace_connect=self._notice,
        )
        if keeps_connection:
            self.client.ctx.max_until_disconnect = FAILURES  # pymodbus itself would give up after some

    async def read(self, start: int, quantity: int) -> list[int] | None:
        """Read holding registers (function 3); None without a connection or reply, or after an exception."""
        if not await self._open():
            return None
        try:
            reply = await self.client.read_holding_registers(start, count=quantity, device_id=self.unit_id)
        except ModbusException:
            self._throw_away()
            return None
        return self._whole(reply, quantity)

    async def exchange(self, start: int, quantity: int, to: int, values: list[int]) -> list[int] | None:
        """Write registers from ``to`` on and read others (function 23); None as with `read`."""
        if not await self._open():
            return None
        try:
            reply = await self.client.readwrite_registers(
                read_address=start,
                read_count=quantity,
                write_address=to,
                values=values,
                device_id=self.unit_id,
            )
        except ModbusException:
            self._throw_away()
            return None
        return self._whole(reply, quantity)

    async def write(self, address: int, value: int) -> bool:
        """Write one holding register (function 6); true once the device has confirmed it."""
        if not await self._open():
            return False
        try:
            reply = await self.client.write_register(address, value, device_id=self.unit_id)
        except ModbusException:
            self._throw_away()
            return False
        return not reply.isError()

    def close(self) -> None:
        """Close the connection, if there is one."""
        self.client.close()

    def hang_up(self) -> None:
        """Close the connection in good order and stay away for the reconnect delay."""
        self.client.close()
        self.again_s = time.monotonic() + self.reconnect_s

    def _notice(self, is_connected: bool) -> None:
        if is_connected:
            return
        self.again_s = time.monotonic() + self.reconnect_s
        waiting = self.client.ctx.response_future
        if not waiting.done():
            # pymodbus itself would wait out the time for a reply that can no longer come.
            waiting.set_exception(ConnectionException("the device ended the connection"))
            waiting.exception()  # nobody need be waiting for it

    @staticmethod
    def _whole(reply: ModbusPDU, quantity: int) -> list[int] | None:
        is_whole = not reply.isError() and len(reply.registers) == quantity
        return list(reply.registers) if is_whole else None

    def _throw_away(self) -> None:
        if self.keeps_connection:
            return
        if transport := self.client.ctx.transport:
            # Without it the kernel goes on sending the request for minutes after the master has dropped it.
            sock = transport.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.client.close()

    async def _open(self) -> bool:
        if self.client.connected:
            return True
        if time.monotonic() < self.again_s or not await self.client.connect():
            return False
        if self.keep_alive_s:
            sock = self.client.ctx.transport.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, self.keep_alive_s)
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, self.keep_alive_s)
        return True
