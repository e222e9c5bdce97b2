"""A poll in, the data addresses that it reads and those that it writes out."""

from __future__ import annotations

from mbsniff.measure.figures import PollFigures
from mbsniff.site import READ_TABLES, WRITE_TABLES, DataTable
from mbsniff.site.register import LAST_ADDRESS
from mbsniff.wire.functions import FUNCTIONS

Block = tuple[DataTable, int, int]
"""Table, first address, how many."""

_READ_AND_WRITE = 23  # MODBUS Application Protocol Specification V1.1b3, section 6.17


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
    """The block, as far as there are addresses."""
    if table is None or first is None or not count or count > (most or 0):
        return None
    return table, first, min(count, LAST_ADDRESS + 1 - first)
