"""A polled block and the declared registers → whether it is one off: a number taken for an address."""

from __future__ import annotations

from collections.abc import Iterable

from mbsniff.site.register import Register


def one_off(registers: Iterable[Register], table: str, start: int, quantity: int) -> int | None:
    """+1 or -1 where the block lies that many addresses from declared registers that it would fit exactly.

    A block *fits* when it begins and ends with a readable register's value and every address in it belongs
    to one. One that fits as it is, or fits neither one below nor one above, is not one off: None. Where
    both do, +1: a manual's number, counted from 1, used as the address, is the commoner mistake.
    """
    owners = {
        address: register
        for register in registers
        if register.table == table and register.readable
        for address in range(register.first, register.last + 1)
    }
    if _fits(owners, start, quantity):
        return None
    return next((by for by in (1, -1) if _fits(owners, start - by, quantity)), None)


def _fits(owners: dict[int, Register], start: int, quantity: int) -> bool:
    last = start + quantity - 1
    if quantity < 1 or not all(address in owners for address in range(start, last + 1)):
        return False
    begins, ends = owners[start], owners[last]
    return (start - begins.first) % begins.words == 0 and (last + 1 - ends.first) % ends.words == 0
