"""Registers that a site names, and a second look, in; what was read from them, and what replies echoed, out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.exchange import Look, reply_pdus, well_answered
from mbsniff.measure import DeviceFigures
from mbsniff.measure.addresses import Block, read_block
from mbsniff.site import Device, Register, decode_columns
from mbsniff.site.register import BITS

MOST_LOOKED_AT = 5_000
"""Replies that are looked at for one register, or for one device's echoes: evenly spread where there are more."""
MOST_CHANGES, AFTER_A_CHANGE = 500, 60
"""Changes of a setpoint after which readings of its feedback are looked at, and how many after each."""


@dataclass(frozen=True)
class Readings:
    """What was read from one register, in time order; arrays have shape (readings,)."""

    register: Register
    asked: int
    """How many replies hold it, looked at or not."""
    times_ns: NDArray[np.int64]
    """When the reply was complete."""
    values: NDArray[np.float64]
    """In engineering units."""
    raw: NDArray[np.int64]
    """Shape (readings, words)."""
    rows: NDArray[np.int32]
    """The transactions."""


@dataclass
class SecondLook:
    """Replies that are wanted, and, once ``take`` was called, what they held.

    ``look`` is None where the recording cannot be read again: nothing is told then.
    """

    case: Case
    look: Look | None
    _rows: dict[tuple[int, str, int], NDArray[np.int32]] = field(default_factory=dict)
    _asked: dict[tuple[int, str, int], int] = field(default_factory=dict)
    _pdus: dict[int, bytes] = field(default_factory=dict)

    def want(
        self, device: DeviceFigures, register: Register, after_ns: NDArray[np.int64] | None = None
    ) -> None:
        """Readings of a register are wanted: all over the recording, or those after certain times."""
        rows = self.readers(device, register)
        key = device.index, register.table, register.first
        self._asked[key] = len(rows)
        self.want_readings(
            device, register, _thinned(rows) if after_ns is None else self._after(rows, after_ns)
        )

    def want_readings(self, device: DeviceFigures, register: Register, rows: NDArray[np.int32]) -> None:
        """These of the register's ``readers`` are wanted."""
        key = device.index, register.table, register.first
        self._rows[key] = np.union1d(self._rows.get(key, rows[:0]), rows).astype(np.int32)

    def want_rows(self, rows: NDArray[np.int32]) -> NDArray[np.int32]:
        """Replies of these transactions are wanted; which of them will be looked at."""
        chosen = _thinned(rows)
        self._rows[-1, "", len(self._rows)] = chosen
        return chosen

    def take(self) -> None:
        """Look at all that is wanted, once."""
        if self.look is not None and self._rows:
            rows = np.unique(np.concatenate(list(self._rows.values())))
            self._pdus = reply_pdus(self.case.exchange, rows, self.look)

    def pdu(self, row: int) -> bytes | None:
        """The PDU of the reply to a transaction that was looked at."""
        return self._pdus.get(row)

    def readings(self, device: DeviceFigures, register: Register) -> Readings:
        """What was read from a wanted register."""
        key = device.index, register.table, register.first
        rows = [row for row in self._rows.get(key, np.zeros(0, np.int32)).tolist() if row in self._pdus]
        words = [self._words(row, register) for row in rows]
        raw = np.array(words, np.int64).reshape(len(rows), register.words)
        own = np.array(rows, np.int32)
        ends = self.case.exchange.request_ns[own] + self.case.exchange.reply_ns[own]
        order = np.argsort(ends, kind="stable")
        values = decode_columns(register, raw)[:, 0] if len(rows) else np.zeros(0)
        return Readings(register, self._asked.get(key, 0), ends[order], values[order], raw[order], own[order])

    def readers(self, device: DeviceFigures, register: Register) -> NDArray[np.int32]:
        """The device's transactions that read the register's first value, whole, and got a normal reply."""
        polls = []
        for poll in device.polls:
            block = read_block(poll)
            if block and block[0] == register.table and _holds(block, register):
                polls.append(poll.row)
        rows = self.case.transactions(device)
        return well_answered(self.case.exchange, rows[np.isin(self.case.exchange.poll[rows], polls)])

    def _after(self, rows: NDArray[np.int32], after_ns: NDArray[np.int64]) -> NDArray[np.int32]:
        times = self.case.exchange.request_ns[rows]
        first = np.searchsorted(times, _thinned(after_ns, MOST_CHANGES))
        places = np.unique(first[:, None] + np.arange(AFTER_A_CHANGE))
        return rows[places[places < len(rows)]]

    def _words(self, row: int, register: Register) -> list[int]:
        """A read reply's words, or bits, of the register (sections 6.1 to 6.4, 6.17: after the byte count)."""
        data = self._pdus[row][2:]
        at = register.first - self.case.exchange.poll_key(int(self.case.exchange.poll[row])).start
        if register.table in BITS:
            return [data[(at + k) // 8] >> (at + k) % 8 & 1 for k in range(register.words)]
        return [int.from_bytes(data[2 * (at + k) : 2 * (at + k) + 2], "big") for k in range(register.words)]


def _holds(block: Block, register: Register) -> bool:
    """Whether the register's first value lies within the block, which is of its table."""
    return block[1] <= register.first and register.first + register.words <= block[1] + block[2]


def _thinned(entries: NDArray[Any], most: int = MOST_LOOKED_AT) -> NDArray[Any]:
    """At most so many of them, evenly spread, the first and the last among them."""
    if len(entries) <= most:
        return entries
    return entries[np.linspace(0, len(entries) - 1, most).astype(np.int64)]


def named_registers(device: Device) -> list[Register]:
    """Registers of which the site says what their values mean for an audit."""
    return [r for r in (device.watchdog_register, device.status_register) if r is not None]


def feedback_of(device: Device | None, trace: Trace) -> Register | None:
    """The value that should follow what the trace writes: of several in a register, the one of the same place."""
    name = trace.register.feedback
    follows = device.register_named(name) if device and name else None
    whole = device.register_at(trace.register.table, trace.register.first) if device else None
    if follows is None or whole is None:
        return None
    first = follows.first + (trace.register.first - whole.first) // whole.words * follows.words
    return replace(follows, first=first, count=follows.words) if first <= follows.last else None
