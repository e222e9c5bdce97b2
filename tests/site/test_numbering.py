"""Addresses and the numbers of manuals, in the four ways of numbering."""

from __future__ import annotations

import pytest

from mbsniff.site import Numbering, both_numbers, number_of
from mbsniff.site.numbering import NUMBERINGS, PREFIXES, place_of


def test_the_specifications_own_example() -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 6.3: registers 108 to 110 are read from 006B."""
    assert both_numbers("holding", 0x006B, 3, "from-1") == "holding 107–109 (no. 108–110)"
    assert both_numbers("holding", 0x006B, 3) == "holding 107–109 (no. 108–110)"
    assert both_numbers("coil", 0x0013, 19) == "coil 19–37 (no. 20–38)"  # section 6.1


@pytest.mark.parametrize(
    ("numbering", "table", "address", "number"),
    [
        ("from-0", "holding", 40, "40"),
        ("from-1", "holding", 40, "41"),
        ("5-digit", "holding", 40, "40041"),  # common practice, as are the following
        ("5-digit", "input", 0, "30001"),
        ("5-digit", "discrete", 9998, "19999"),
        ("5-digit", "coil", 40, "00041"),
        ("6-digit", "holding", 65535, "465536"),
        ("6-digit", "coil", 0, "000001"),
    ],
)
def test_numbers_of_addresses(numbering: Numbering, table: str, address: int, number: str) -> None:
    """Each address has the number that the manual would give it, and back."""
    assert number_of(table, address, numbering) == number
    assert place_of(int(number), table, numbering) == (table, address)


@pytest.mark.parametrize("numbering", NUMBERINGS)
@pytest.mark.parametrize("table", PREFIXES)
def test_there_and_back(numbering: Numbering, table: str) -> None:
    """Number and address belong together in every way of numbering, at both ends of it."""
    for address in (0, 1, 40, 9_998):
        named, found = place_of(int(number_of(table, address, numbering)), None, numbering)
        assert found == address and named in (table, None)


def test_one_number_where_both_are_equal() -> None:
    """Where the manual counts from 0 as the protocol does, nothing is shown twice."""
    assert both_numbers("holding", 40, 1, "from-0") == "holding 40"


@pytest.mark.parametrize(
    ("number", "table", "numbering", "part"),
    [
        (0, "holding", "from-1", "no number"),
        (40_000, "holding", "5-digit", "no number"),
        (20_001, None, "5-digit", "no number"),
        (41, "holding", "5-digit", "of the table coil"),
        (30_001, "holding", "5-digit", "of the table input"),
    ],
)
def test_what_is_no_number(number: int, table: str | None, numbering: Numbering, part: str) -> None:
    """Numbers below the first, of no table, or of another one are refused."""
    with pytest.raises(ValueError, match=part):
        place_of(number, table, numbering)
