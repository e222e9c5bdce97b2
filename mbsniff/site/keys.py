"""The table of keys that a site file may hold: validation and documentation both come from it."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.site.feed import FEED
from mbsniff.site.kinds import ADDRESS, FLAG, Kind, choice, list_of, number, seconds, text, whole


@dataclass(frozen=True)
class Key:
    """A key: its name, where its value goes, what is allowed, and what it means."""

    name: str
    field: str
    """The field of Limits, Master or Device that its value fills."""
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


# MODBUS Application Protocol Specification V1.1b3, sections 6.3 and 6.4: 1 to 125 registers.
MOST_REGISTERS = 125
# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3: the unit identifier is one byte.
UNITS = whole(0, 255)

_MASTER_NAMES = list_of(text("the name of a [[master]], or an address"))

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
    Key("on_loss", "on_loss", choice("hold", "shut-off"),
        "What the device does with its output when its watchdog trips."),
    Key("max_block", "max_block", whole(1, MOST_REGISTERS),
        "The most registers that the device takes in one read."),
    Key("max_reads_per_s", "max_reads_per_s", number(0.001, 1_000_000),
        "The most read requests a second that the device bears, over all masters together."),
    Key("tolerable_outage_s", "tolerable_outage_ns", seconds(0.001),
        "Seconds that the process may be without control, as its owner decided."),
)  # fmt: skip

MASTER = (
    Key("name", "name", text(), "What the reports call the master.", required=True),
    Key("addresses", "addresses", list_of(ADDRESS), "All addresses that it sends from.", required=True),
    Key("group", "group", text(), "Name of the redundancy group whose masters stand in for each other."),
)

DEVICE = (
    Key("name", "name", text(), "What the reports call the device."),
    Key("address", "address", ADDRESS, "Its address.", required=True),
    Key("port", "port", whole(1, 65_535), "Its TCP port; 502 where not given."),
    Key("unit_id", "units", UNITS,
        "Its unit identifier; where neither this nor units is given, all that no other device declares."),
    Key("units", "units", list_of(UNITS), "Several unit identifiers to which the same box answers."),
    Key("gateway", "gateway", FLAG,
        "Whether the address is a gateway's, so that each unit is a device; false where not given."),
    Key("masters", "masters", _MASTER_NAMES, "The only masters that may talk to it."),
    *LIMITS,
)  # fmt: skip

TABLES = (
    Table("defaults", False, LIMITS, "Limits of every device that does not give its own."),
    Table("master", True, MASTER, "A station that sends requests."),
    Table("device", True, DEVICE, "A device, with what it tolerates."),
)


def key_rows() -> list[tuple[str, str, str, str]]:
    """Rows (table's header, key, what is allowed, meaning) for a documentation page."""
    return [(t.header, key.name, key.kind.expected, key.meaning) for t in TABLES for key in t.keys]
