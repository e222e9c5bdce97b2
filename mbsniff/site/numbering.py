"""Protocol addresses ↔ the numbers that a manual gives registers, by the manual's way of numbering."""

from __future__ import annotations

from typing import Literal, get_args

Numbering = Literal["from-0", "from-1", "5-digit", "6-digit"]
NUMBERINGS: tuple[Numbering, ...] = get_args(Numbering)

# Common practice: the first digit names the table, the others count from 1. It is not in the specification.
PREFIXES = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}
_TABLES = {prefix: table for table, prefix in PREFIXES.items()}
_TENS = {"5-digit": 10_000, "6-digit": 100_000}
# MODBUS Application Protocol Specification V1.1b3, section 4.4: what is numbered X has the address X - 1.
_BASES = {"from-0": 0, "from-1": 1, "5-digit": 1, "6-digit": 1}


def number_of(table: str, address: int, numbering: Numbering | None) -> str:
    """The manual's number of a protocol address; without a known numbering, the data model's, from 1."""
    counted = address + _BASES[numbering or "from-1"]
    if numbering not in _TENS:
        return str(counted)
    digits = len(str(_TENS[numbering])) - 1
    return f"{PREFIXES[table]}{counted:0{digits}d}"


def both_numbers(table: str, first: int, count: int = 1, numbering: Numbering | None = None) -> str:
    """Addresses as every report prints them: ``holding 40 (no. 41)``, ``input 0–7 (no. 30001–30008)``.

    Before the brackets stands what the request bears; in them what the manual says, or where the site does
    not tell how it counts, the number from 1 that the specification gives. One number where both are equal.
    """
    last = first + count - 1
    address = f"{first}–{last}" if count > 1 else str(first)
    number = number_of(table, first, numbering)
    number += f"–{number_of(table, last, numbering)}" if count > 1 else ""
    return f"{table} {address}" if number == address else f"{table} {address} (no. {number})"


def place_of(number: int, table: str | None, numbering: Numbering) -> tuple[str | None, int]:
    """Table and protocol address of a manual's number; the table only where the number or caller tells it.

    Raises ValueError where there is no such number in that way of numbering, or not in that table.
    """
    prefix, counted = divmod(number, _TENS[numbering]) if numbering in _TENS else (None, number)
    address = counted - _BASES[numbering]
    if address < 0 or (prefix is not None and prefix not in _TABLES):
        raise ValueError(f"{number} is no number in {numbering} numbering")
    named = table if prefix is None else _TABLES[prefix]
    if table is not None and named != table:
        raise ValueError(
            f"{number} is a number of the table {named} in {numbering} numbering, not of {table}"
        )
    return named, address
