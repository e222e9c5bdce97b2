"""The table of keys that a site file may hold: validation and documentation both come from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from mbsniff.site.feed import FEED
from mbsniff.site.kinds import (
    ADDRESS,
    FLAG,
    HARDWARE_ADDRESS,
    Kind,
    alone,
    choice,
    list_of,
    number,
    seconds,
    text,
    whole,
)
from mbsniff.site.numbering import NUMBERINGS
from mbsniff.site.references import NUMBER, REGISTER, TRIPPED
from mbsniff.site.register import DATA_TABLES, DATA_TYPES, LAST_ADDRESS


@dataclass(frozen=True)
class Key:
    """A key: its name, where its value goes, what is allowed, and what it means."""

    name: str
    field: str
    """The field of Limits, Master, Family, Device or Register that its value fills."""
    kind: Kind
    meaning: str
    required: bool = False


@dataclass(frozen=True)
class Table:
    """A table of the file: its header, whether there can be several, and its keys."""

    name: str
    repeated: bool
    keys: tuple[Key, ...]
    meaning: str

    @property
    def header(self) -> str:
        """As the file has it, ``[defaults]`` or ``[[device]]``."""
        return f"[[{self.name}]]" if self.repeated else f"[{self.name}]"

    def key(self, name: str) -> Key | None:
        """The key of that name, if the table has it."""
        return next((key for key in self.keys if key.name == name), None)

    def rivals(self, key: Key) -> str:
        """The names of the keys of which only one can be given, ``unit_id or units``."""
        return " or ".join(other.name for other in self.keys if other.field == key.field)


# MODBUS Application Protocol Specification V1.1b3, sections 6.3 and 6.4: 1 to 125 registers.
MOST_REGISTERS = 125
# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: the unit identifier is one byte.
UNITS = whole(0, 255)

_MASTER_NAMES = list_of(text("the name or group of a [[master]], or an address"))
_LARGEST = 1e38  # about the largest 32-bit float
_ANY_NUMBER = replace(number(-_LARGEST, _LARGEST), expected="a number of at most 38 digits")


def _as_it_is(value: Any) -> Any:
    return value


_TABLES = Kind("tables headed [[device.register]] or [[family.register]]", _as_it_is)

LIMITS = (
    Key("watchdog_s", "watchdog_ns", seconds(0.001),
        "Seconds without a feed until the device's watchdog trips; 0: it never trips."),
    Key("tolerance", "tolerance", number(0, 1, "0.10 is ten percent."),
        "Fraction of the timeout by which a silence must exceed it; 0.10 where not given."),
    Key("fed_by", "fed_by", FEED,
        "What restarts the watchdog: any request (where not given), a reply, a read, a write; as a table "
        "also which data addresses, whether only a changed value counts, and from which master."),
    Key("exceptions_feed", "exceptions_feed", FLAG,
        "Whether a request that an exception answers has fed the watchdog; false where not given."),
    Key("watchdog_register", "watchdog_register", REGISTER,
        "The register whose value states the timeout, to be compared with watchdog_s where it is polled."),
    Key("watchdog_unit_s", "watchdog_unit_s", number(0.000_001, 86_400),
        "Seconds that a value of 1 of that register stands for; 1 where not given, 0.001 for milliseconds."),
    Key("on_loss", "on_loss", choice("hold", "shut-off"),
        "What the device does with its output when its watchdog trips."),
    Key("status_register", "status_register", REGISTER,
        "The register whose value tells whether the device fell back."),
    Key("status_tripped", "status_tripped", TRIPPED,
        "Which value of the status register says that the watchdog tripped."),
    Key("reset_register", "reset_register", REGISTER,
        "The register that resets the trip of a device that shut off, by a write of anything but 0."),
    Key("tolerable_outage_s", "tolerable_outage_ns", seconds(0.001),
        "Seconds that the process may be without control, as its owner decided."),
    Key("max_block", "max_block", whole(1, MOST_REGISTERS),
        "The most registers that the device takes in one read."),
    Key("max_reads_per_s", "max_reads_per_s", number(0.001, 1_000_000),
        "The most read requests a second that the device bears, over all masters together."),
    Key("masters", "masters", _MASTER_NAMES, "The only masters that may talk to it."),
    Key("writers", "writers", _MASTER_NAMES, "Those of them that may write to it, and no others."),
    Key("numbering", "numbering", choice(*NUMBERINGS),
        "How the manual numbers registers: from-0 as requests do, from-1 (register 41 has the address 40), "
        "5-digit (40041, the first digit being the table's) or 6-digit (400041)."),
)  # fmt: skip

MASTER = (
    Key("name", "name", text(), "What the reports call the master.", required=True),
    Key("addresses", "addresses", list_of(ADDRESS), "All addresses that it sends from.", required=True),
    Key("group", "group", text(), "Name of the redundancy group whose masters stand in for each other."),
    Key("may_read", "may_read", FLAG, "Whether it may read from devices at all; where not given, devices decide."),
    Key("may_write", "may_write", FLAG, "Whether it may write to devices at all, likewise."),
    Key("timeout_s", "timeout_ns", seconds(0.001, zero=False),
        "Seconds after which it gives up a request, as its program has it."),
    Key("hardware_addresses", "hardware_addresses", list_of(HARDWARE_ADDRESS),
        "The hardware addresses of its network ports."),
)  # fmt: skip

_REGISTERS = (
    Key("registers", "csv", text("the name of a CSV file"),
        "A CSV file with registers, one a row, beside the site file; its columns are the keys of a register."),
    Key("register", "register", _TABLES, "Its registers, each a table with the keys of a register."),
)  # fmt: skip

FAMILY = (
    Key("name", "name", text(), "What devices name as their family.", required=True),
    *LIMITS,
    *_REGISTERS,
)

DEVICE = (
    Key("name", "name", text(), "What the reports call the device."),
    Key("address", "address", ADDRESS, "Its address.", required=True),
    Key("port", "port", whole(1, 65_535), "Its TCP port; 502 where not given."),
    Key("unit_id", "units", alone(UNITS),
        "Its unit identifier; where neither this nor units is given, all that no other device declares."),
    Key("units", "units", list_of(UNITS), "Several unit identifiers to which the same box answers."),
    Key("gateway", "gateway", FLAG,
        "Whether the address is a gateway's, so that each unit is a device; false where not given."),
    Key("family", "family", text("the name of a [[family]]"),
        "The family whose limits and registers it has where it gives none of its own."),
    Key("hardware_address", "hardware_address", HARDWARE_ADDRESS, "The hardware address of its network port."),
    *LIMITS,
    *_REGISTERS,
)  # fmt: skip

REGISTER_KEYS = (
    Key("name", "name", text(), "What the reports call the register."),
    Key("table", "table", choice(*DATA_TABLES),
        'Its table: "holding" (functions 3, 6, 16; where not given), "input" (4), "coil" (1, 5, 15) or '
        '"discrete" (2).'),
    Key("first", "first", whole(0, LAST_ADDRESS), "Its first protocol address, from 0, as requests bear it."),
    Key("number", "first", NUMBER,
        "Its first number as the manual has it, instead of first; numbering says how the manual counts."),
    Key("count", "count", whole(1, LAST_ADDRESS + 1),
        "How many addresses it takes: 1, or 2 with a type of 32 bits, where not given; more for several values."),
    Key("access", "access", choice("ro", "rw", "none"),
        'Whether it may be written ("rw"; where not given, for holding registers and coils), only be read '
        '("ro") or not even that ("none": known to be unreadable).'),
    Key("type", "type", choice(*DATA_TYPES),
        "How a value is coded; uint16, or bool for coils and discrete inputs, where not given."),
    Key("word_order", "word_order", choice("high-first", "low-first"),
        "Which half of a 32-bit value has the lower address; high-first where not given."),
    Key("scale", "scale", _ANY_NUMBER, "What to multiply the raw value by; 1 where not given."),
    Key("offset", "offset", _ANY_NUMBER, "What to add after that; 0 where not given."),
    Key("engineering_unit", "engineering_unit", text(), "The unit of the result, such as °C."),
    Key("minimum", "minimum", _ANY_NUMBER, "The least value that may be written, in that unit."),
    Key("maximum", "maximum", _ANY_NUMBER, "The greatest value that may be written, in that unit."),
    Key("nonvolatile", "nonvolatile", FLAG,
        "Whether it is kept in non-volatile memory, which each write wears; false where not given."),
    Key("period_s", "period_ns", seconds(0.001, zero=False), "Seconds between two reads, as wanted."),
    Key("masters", "masters", _MASTER_NAMES, "Who wants to read it; whoever polls the device where not given."),
    Key("writers", "writers", _MASTER_NAMES,
        "The only masters that may write it; the device's writers where not given."),
    Key("feedback", "feedback", text("the name of a register of the device"),
        "The register that should follow what is written to this one."),
)  # fmt: skip

TABLES = (
    Table("defaults", False, LIMITS, "Limits of every device that does not give its own."),
    Table("master", True, MASTER, "A station that sends requests."),
    Table("family", True, FAMILY, "What devices of a kind have in common."),
    Table("device", True, DEVICE, "A device, with what it tolerates."),
)
REGISTER_TABLE = Table("device.register", True, REGISTER_KEYS, "A register of a device, or of a family.")


def key_rows() -> list[tuple[str, str, str, str]]:
    """Rows (table's header, key, what is allowed, meaning) for a documentation page."""
    tables = (*TABLES, REGISTER_TABLE)
    return [(t.header, key.name, key.kind.expected, key.meaning) for t in tables for key in t.keys]
