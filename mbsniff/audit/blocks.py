"""A poll in, the addresses that it reads and writes out, with the declared registers among them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from mbsniff.measure import PollFigures
from mbsniff.site import READ_TABLES, WRITE_TABLES, DataTable, Register
from mbsniff.site.register import LAST_ADDRESS
from mbsniff.wire.functions import FUNCTIONS

Block = tuple[DataTable, int, int]
"""Table, first address, how many."""

_READ_AND_WRITE = 23


def read_block(poll: PollFigures) -> Block | None:
    """What it reads; None for functions without addresses, and for blocks that no request can ask for."""
    most = FUNCTIONS[poll.function].most if poll.function in READ_TABLES else None
    return _block(READ_TABLES.get(poll.function), poll.start, poll.quantity, most)


def written_block(poll: PollFigures) -> Block | None:
    """What it writes, likewise."""
    most = FUNCTIONS[poll.function].most_written if poll.function in WRITE_TABLES else None
    start, quantity = poll.start, poll.quantity
    if poll.function == _READ_AND_WRITE:
        start, quantity = poll.write_start, poll.write_quantity
    return _block(WRITE_TABLES.get(poll.function), start, quantity, most)


def _block(table: DataTable | None, first: int | None, count: int | None, most: int | None) -> Block | None:
    if table is None or first is None or not count or count > (most or 0):
        return None
    return table, first, min(count, LAST_ADDRESS + 1 - first)


def parts(block: Block, registers: Iterable[Register]) -> Iterator[tuple[Register | None, int, int]]:
    """(declared register or None, first address, how many) of the block's stretches, in order of address."""
    table, at, count = block
    end = at + count
    for register in registers:  # they stand in order of address and do not overlap
        if not register.touches(table, at, end - at) or at >= end:
            continue
        if at < register.first:
            yield None, at, register.first - at
            at = register.first
        stop = min(register.last + 1, end)
        yield register, at, stop - at
        at = stop
    if at < end:
        yield None, at, end - at
