"""Devices, masters and polls in, what sentences call them out."""

from __future__ import annotations

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.wording import addresses
from mbsniff.errors import one_line
from mbsniff.exchange.result import PollKey
from mbsniff.measure import DeviceFigures
from mbsniff.measure.groups import READS, WRITES
from mbsniff.site import READ_TABLES, WRITE_TABLES, Register
from mbsniff.wire.functions import function_name

LONGEST = 60  # characters of a name that a sentence can bear
_READ_AND_WRITE = 23  # MODBUS Application Protocol Specification V1.1b3, section 6.17


def called(device: DeviceFigures) -> str:
    """A device's name, or its address and unit; the port only where it is not the usual one."""
    return _short(device.name) if device.name else device.key.replace(":502/", "/")


def master_called(case: Case, address: str) -> str:
    """A master's name, or its address."""
    return _short(case.site.name_of_master(address) or address)


def _short(name: str) -> str:
    text = one_line(name)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


def asked_for(key: PollKey, registers: tuple[Register, ...] = ()) -> str:
    """What a request asks: "read of holding 0-15", "write of setpoint"."""
    if key.function in WRITES:
        start, count = key.start, key.quantity
        if key.function == _READ_AND_WRITE:
            start, count = key.write_start, key.write_quantity
        return f"write of {_where(WRITE_TABLES.get(key.function), start, count, registers)}"
    if key.function in READS:
        return f"read of {_where(READ_TABLES.get(key.function), key.start, key.quantity, registers)}"
    return function_name(key.function)


def _where(table: str | None, start: int, count: int, registers: tuple[Register, ...]) -> str:
    """The register's name where the request is about one alone, else table and addresses."""
    if table is None or start < 0:
        return "records"
    own = next((r for r in registers if r.touches(table, start)), None)
    if own is not None and own.name and own.first <= start and start + max(count, 1) - 1 <= own.last:
        return _short(own.name)
    return f"{table} {addresses(start, count)}"
