"""Write requests and their replies in, those out whose reply does not repeat what it has to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.readings import SecondLook
from mbsniff.exchange import Exchange
from mbsniff.measure import DeviceFigures

# What a normal reply repeats of its request: sections 6.5, 6.6, 6.11, 6.12, 6.16 of the MODBUS Application
# Protocol Specification V1.1b3. The other writes are answered with data (6.17) or at length (6.15).
ECHOING = frozenset((5, 6, 15, 16, 22))


@dataclass(frozen=True)
class Echoes:
    """A device's write requests, and what came of comparing them with their replies."""

    writes: int
    """Requests whose replies have to echo."""
    compared: int
    different: list[int]
    """The transactions whose reply says something else."""


def echoing_writes(case: Case, device: DeviceFigures) -> NDArray[np.int32]:
    """The device's write requests that a reply has to echo and that were answered without an exception."""
    rows = case.transactions(device)
    polls = [p.row for p in device.polls if p.function in ECHOING]
    chosen = np.isin(case.exchange.poll[rows], polls) & (case.exchange.exception[rows] == 0)
    return np.asarray(rows[chosen], np.int32)


def echoes(case: Case, device: DeviceFigures, look: SecondLook) -> Echoes:
    """Compare all that was looked at."""
    rows = echoing_writes(case, device).tolist()
    pairs = [(row, echo_of(case.exchange, row), look.pdu(row)) for row in rows]
    compared = [(row, due, came) for row, due, came in pairs if due is not None and came is not None]
    different = [row for row, due, came in compared if due != came]
    return Echoes(len(rows), len(compared), different)


def echo_of(exchange: Exchange, row: int) -> bytes | None:
    """The PDU that a normal reply to a write has to be; None where the recording lacks the request's value."""
    key = exchange.poll_key(int(exchange.poll[row]))
    value = int(exchange.value[row])
    if key.start < 0 or value < 0:
        return None
    head = bytes([key.function]) + key.start.to_bytes(2, "big")
    if key.function in (5, 6):
        return head + value.to_bytes(2, "big")
    if key.function in (15, 16):
        return head + key.quantity.to_bytes(2, "big")
    begin, size = exchange.value_table[value].tolist()
    return head + exchange.value_bytes[begin : begin + size].tobytes()
