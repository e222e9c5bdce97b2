"""A device's declared registers, limits and what it answered in, where blocks of one function may lie out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.plan.cover import Ground, Range
from mbsniff.plan.target import Target
from mbsniff.site import READ_TABLES
from mbsniff.site.register import BITS, LAST_ADDRESS

# MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4: the most bits, and registers, of one read.
MOST_BITS = 2000
MOST_REGISTERS = 125
# Section 7: what a device says to addresses that it does not have, and to a quantity that it does not take.
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3


def longest_block(target: Target, function: int) -> int:
    """The most addresses of one read: the device's limit (registers only), the standard's, below what it refused."""
    if READ_TABLES[function] in BITS:
        longest = MOST_BITS
    else:
        longest = min(target.limits.max_block or MOST_REGISTERS, MOST_REGISTERS)
    own = [p for p in target.polls if p.function == function and p.quantity]
    taken = max((p.quantity or 0 for p in own if target.normal_replies(p) > 0), default=0)
    refused = [p.quantity or 0 for p in own if target.always_refused(p, ILLEGAL_VALUE)]
    return min([longest, *(quantity - 1 for quantity in refused if quantity - 1 >= max(taken, 1))])


def readable_addresses(target: Target, function: int) -> NDArray[np.bool_]:
    """Which addresses are known to be readable, shape (65536,): declared so, or in a block that was answered.

    What is declared unreadable is not, whatever was answered.
    """
    table = READ_TABLES[function]
    known = np.zeros(LAST_ADDRESS + 1, np.bool_)
    for poll in target.polls:
        reads = READ_TABLES.get(poll.function) == table and target.normal_replies(poll) > 0
        if reads and poll.start is not None and poll.quantity:
            known[poll.start : poll.start + poll.quantity] = True
    for register in target.registers:
        if register.table == table:
            known[register.first : register.last + 1] = register.readable
    return known


def unreadable(target: Target, function: int, address: int) -> bool:
    """Whether the site file says that the address cannot be read."""
    table = READ_TABLES[function]
    return any(not r.readable and r.touches(table, address) for r in target.registers)


def refused_blocks(target: Target, function: int) -> tuple[Range, ...]:
    """Blocks of the function that the device never took and answered with exception 02."""
    return tuple(
        (poll.start, poll.start + poll.quantity - 1)
        for poll in target.polls
        if poll.function == function and poll.start is not None and poll.quantity
        if target.always_refused(poll, ILLEGAL_ADDRESS)
    )


def ground(target: Target, function: int) -> Ground:
    """Where blocks of the function may lie."""
    known = readable_addresses(target, function)
    edges = np.flatnonzero(np.diff(known.astype(np.int8), prepend=0, append=0)).tolist()
    ranges = tuple((first, end - 1) for first, end in zip(edges[::2], edges[1::2], strict=True))
    return Ground(longest_block(target, function), ranges, refused_blocks(target, function))
