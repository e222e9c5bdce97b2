"""A range of data addresses as a site declares it: Register, and the words that its keys choose from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from mbsniff.site.numbering import Numbering, both_numbers

# MODBUS Application Protocol Specification V1.1b3, section 4.3: the four tables of the data model.
DataTable = Literal["holding", "input", "coil", "discrete"]
Access = Literal["ro", "rw", "none"]
DataType = Literal["uint16", "int16", "uint32", "int32", "float32", "bool"]
WordOrder = Literal["high-first", "low-first"]

DATA_TABLES: tuple[DataTable, ...] = get_args(DataTable)
DATA_TYPES: tuple[DataType, ...] = get_args(DataType)
WORDS = {name: 2 if name.endswith("32") else 1 for name in DATA_TYPES}
"""Registers (or bits) that a value of each type takes."""
BITS = frozenset({"coil", "discrete"})
WRITABLE = frozenset({"holding", "coil"})  # section 4.3: the other two tables are read-only
# Sections 6.1 to 6.17: the table that each function reads from or writes to.
READ_TABLES: dict[int, DataTable] = {1: "coil", 2: "discrete", 3: "holding", 4: "input", 23: "holding"}
WRITE_TABLES: dict[int, DataTable] = {
    5: "coil", 6: "holding", 15: "coil", 16: "holding", 22: "holding", 23: "holding",
}  # fmt: skip
LAST_ADDRESS = 0xFFFF  # section 4.4: addresses from 0 to 65535


@dataclass(frozen=True)
class Register:
    """Addresses that belong together: one value, several of one type, or a range that is not readable."""

    name: str | None
    table: DataTable = "holding"
    first: int = 0
    """The first protocol address, from 0, as a request bears it."""
    count: int = 1
    """How many addresses; with a type of 32 bits, two for each value."""
    access: Access = "rw"
    """``none``: known, or declared, to be unreadable."""
    type: DataType = "uint16"
    word_order: WordOrder = "high-first"
    """Which half of a 32-bit value has the lower address."""
    scale: float = 1.0
    """Engineering value = raw value × scale + offset."""
    offset: float = 0.0
    engineering_unit: str | None = None
    minimum: float | None = None
    """Least value that may be written, in engineering units."""
    maximum: float | None = None
    nonvolatile: bool = False
    """Whether each write wears a non-volatile memory."""
    period_ns: int | None = None
    """Nanoseconds between two reads, as wanted."""
    masters: tuple[str, ...] = ()
    """Who wants to read it; empty: whoever is to poll the device."""
    writers: tuple[str, ...] | None = None
    """The only masters that may write it; None: the device's writers."""
    feedback: str | None = None
    """Name of the register that should follow what is written to this one."""

    @property
    def last(self) -> int:
        """The last protocol address."""
        return self.first + self.count - 1

    @property
    def words(self) -> int:
        """Addresses that one value takes: 2 for the types of 32 bits, else 1."""
        return WORDS[self.type]

    @property
    def readable(self) -> bool:
        """Whether reading it is known to be all right."""
        return self.access != "none"

    @property
    def writable(self) -> bool:
        """Whether it may be written at all."""
        return self.access == "rw"

    def touches(self, table: str, first: int, count: int = 1) -> bool:
        """Whether a block of the table has an address of it."""
        return self.table == table and self.first < first + count and first <= self.last

    def label(self, numbering: Numbering | None = None) -> str:
        """Its name where it has one, and its table with both numbers."""
        where = both_numbers(self.table, self.first, self.count, numbering)
        return f"{self.name} ({where})" if self.name else where
