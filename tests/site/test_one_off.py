"""Reads that lie one address off declared registers."""

from __future__ import annotations

import pytest

from mbsniff.site import Register, one_off

SINGLE = [Register("setpoint", first=40)]
BLOCK = [Register(None, first=0, count=16), Register("hidden", first=16, count=4, access="none")]
WIDE = [
    Register("flow", first=10, count=2, type="float32"),
    Register("sum", first=12, count=2, type="uint32"),
]
TWO = [Register(None, first=40), Register(None, first=42)]


@pytest.mark.parametrize(
    ("registers", "start", "quantity", "by"),
    [
        (SINGLE, 40, 1, None),
        (SINGLE, 41, 1, 1),
        (SINGLE, 39, 1, -1),
        (SINGLE, 42, 1, None),
        (SINGLE, 41, 2, None),
        (BLOCK, 0, 16, None),
        (BLOCK, 1, 16, 1),
        (BLOCK, 1, 15, None),
        (BLOCK, 0, 17, None),
        (WIDE, 10, 4, None),
        (WIDE, 11, 4, 1),
        (WIDE, 9, 2, -1),
        (WIDE, 11, 2, 1),
        (WIDE, 12, 2, None),
        (TWO, 41, 1, 1),
        ([], 41, 1, None),
        (SINGLE, 40, 0, None),
    ],
)
def test_one_off(registers: list[Register], start: int, quantity: int, by: int | None) -> None:
    """A block is one off where its neighbour fits the declared values and it does not."""
    assert one_off(registers, "holding", start, quantity) == by


def test_tables_are_told_apart() -> None:
    """An input register is no neighbour of a holding register."""
    assert one_off(SINGLE, "input", 41, 1) is None


def test_the_specifications_illustration() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 7: of 100 registers, 5 from 96 cross the end."""
    registers = [Register(None, first=0, count=100)]
    assert one_off(registers, "holding", 96, 4) is None
    assert one_off(registers, "holding", 96, 5) == 1
