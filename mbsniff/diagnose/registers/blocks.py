"""A block of addresses and the declared registers in, its stretches out, each with its register."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from mbsniff.measure.addresses import Block
from mbsniff.site import Register


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
