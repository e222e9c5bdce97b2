"""A device's write requests in, a trace for each register value out: who wrote what and when."""

from __future__ import annotations

import functools
from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.blocks import parts
from mbsniff.diagnose.registers.values import UNKNOWN, Words, written_words
from mbsniff.exchange.columns import ORPHAN, STATUS_MASK
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.measure.addresses import written_block
from mbsniff.site import DataTable, Register, decode_columns
from mbsniff.site.register import BITS


@dataclass(frozen=True)
class Trace:
    """All that was written to one value, in time order; arrays have shape (writes,)."""

    device: DeviceFigures
    register: Register
    """A single value: the declared register, one of its values, or a bare address."""
    declared: bool
    times_ns: NDArray[np.int64]
    values: NDArray[np.float64]
    """In engineering units; NaN where the recording does not tell."""
    raw: Words
    """Shape (writes, words)."""
    rows: NDArray[np.int32]
    """The transactions."""
    masters: NDArray[np.int64]
    """Rows of the groups' masters."""
    accepted: NDArray[np.bool_]
    """False where an exception refused it."""
    polls: dict[int, PollFigures]
    """Those that wrote it, by row of the poll table."""

    @property
    def known(self) -> NDArray[np.bool_]:
        """Whether the value is in the recording, whole."""
        return np.asarray((self.raw != UNKNOWN).all(axis=1))

    @functools.cached_property
    def repeats(self) -> NDArray[np.bool_]:
        """Whether a write, not refused, brings the value that the register has from the one before."""
        return self._held_against(same=True)

    @functools.cached_property
    def changes(self) -> NDArray[np.bool_]:
        """Whether a write, not refused, brings another value than the one before."""
        return self._held_against(same=False)

    def _held_against(self, *, same: bool) -> NDArray[np.bool_]:
        found = np.zeros(len(self.rows), bool)
        taken = np.flatnonzero(self.accepted)
        both = self.known[taken[1:]] & self.known[taken[:-1]]
        equal = (self.raw[taken[1:]] == self.raw[taken[:-1]]).all(axis=1)
        found[taken[1:]] = both & (equal if same else ~equal)
        return found


@dataclass
class _Pieces:
    register: Register
    declared: bool
    rows: list[NDArray[np.int32]]
    raw: list[Words]
    polls: dict[int, PollFigures]


def traces(case: Case, device: DeviceFigures, registers: tuple[Register, ...]) -> list[Trace]:
    """A trace for each value that was written, by table and address."""
    found: dict[tuple[DataTable, int], _Pieces] = {}
    for poll, rows in _write_polls(case, device):
        block = written_block(poll)
        if block is None:
            continue
        words = written_words(case.exchange, poll.function, block[2], rows)
        for register, first, count in parts(block, registers):
            for value in _values(register, block[0], first, count):
                at = found.setdefault(
                    (value.table, value.first), _Pieces(value, register is not None, [], [], {})
                )
                at.rows.append(rows)
                at.raw.append(_cut(words, block[1], value))
                at.polls[poll.row] = poll
    return [_trace(case, device, found[key]) for key in sorted(found)]


def _write_polls(case: Case, device: DeviceFigures) -> list[tuple[PollFigures, NDArray[np.int32]]]:
    """The device's polls that write addresses, each with its transactions in time order."""
    polls = {p.row: p for p in device.polls if written_block(p) is not None}
    rows = case.transactions(device)
    rows = rows[np.isin(case.exchange.poll[rows], list(polls))]
    rows = rows[(case.exchange.status[rows] & STATUS_MASK) != ORPHAN]
    owners = case.exchange.poll[rows]
    order = np.argsort(owners, kind="stable")
    begins = np.searchsorted(owners[order], sorted(polls))
    bounds = [*begins.tolist(), len(rows)]
    return [(polls[row], rows[order[bounds[i] : bounds[i + 1]]]) for i, row in enumerate(sorted(polls))]


def _values(register: Register | None, table: DataTable, first: int, count: int) -> list[Register]:
    """The single values that a stretch of addresses touches."""
    if register is None:
        kind: dict[str, str] = {"type": "bool"} if table in BITS else {}
        return [Register(None, table, first + k, **kind) for k in range(count)]  # type: ignore[arg-type]
    size = register.words
    begin = first - (first - register.first) % size
    return [
        register if register.count == size else replace(register, first=at, count=size)
        for at in range(begin, first + count, size)
    ]


def _cut(words: Words, start: int, value: Register) -> Words:
    """The value's own words; those that the requests do not write are unknown."""
    own = np.full((len(words), value.words), UNKNOWN, np.int64)
    for k in range(value.words):
        if 0 <= value.first + k - start < words.shape[1]:
            own[:, k] = words[:, value.first + k - start]
    return own


def _trace(case: Case, device: DeviceFigures, pieces: _Pieces) -> Trace:
    exchange = case.exchange
    rows, raw = np.concatenate(pieces.rows), np.concatenate(pieces.raw)
    order = np.lexsort((exchange.request_frame[rows], exchange.request_ns[rows]))
    rows, raw = rows[order], raw[order]
    values = decode_columns(pieces.register, np.maximum(raw, 0))[:, 0]
    return Trace(
        device=device,
        register=pieces.register,
        declared=pieces.declared,
        times_ns=exchange.request_ns[rows],
        values=np.where((raw != UNKNOWN).all(axis=1), values, np.nan),
        raw=raw,
        rows=rows,
        masters=case.figures.groups.master_of_poll[exchange.poll[rows]],
        accepted=exchange.exception[rows] == 0,
        polls=pieces.polls,
    )


def outside(trace: Trace) -> NDArray[np.bool_]:
    """Which writes bring a value below the register's minimum, above its maximum, or one that is no number."""
    low, high = trace.register.minimum, trace.register.maximum
    wrong = np.zeros(len(trace.rows), bool)
    if low is None and high is None:
        return wrong
    with np.errstate(invalid="ignore"):
        if low is not None:
            wrong |= trace.values < low
        if high is not None:
            wrong |= trace.values > high
    return np.asarray(trace.known & (wrong | np.isnan(trace.values)))


def by_register(found: list[Trace]) -> dict[str | None, list[Trace]]:
    """Traces by the name of their register."""
    grouped: dict[str | None, list[Trace]] = defaultdict(list)
    for trace in found:
        grouped[trace.register.name].append(trace)
    return grouped
