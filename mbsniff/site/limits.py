"""What a site declares, as plain values: a device's limits, what feeds its watchdog, masters, devices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from mbsniff.site.decode import decode
from mbsniff.site.numbering import Numbering
from mbsniff.site.register import Register

MODBUS_PORT = 502  # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3


@dataclass(frozen=True)
class FedBy:
    """What restarts a device's watchdog; made without arguments: any request."""

    kind: Literal["request", "reply", "read", "write"] = "request"
    ranges: tuple[tuple[int, int], ...] = ()
    """Inclusive ranges of data addresses that the request has to touch; empty: any address."""
    change: bool = False
    """Whether only a written value that differs from the one before counts."""
    master: str | None = None
    """The only master that counts: its name in the site file, or its address."""


@dataclass(frozen=True)
class Tripped:
    """How the status register shows that the device fell back."""

    mask: int = 0xFFFF
    value: int = 0

    def by(self, word: int) -> bool:
        """Whether that raw status says so: its bits under the mask equal the value."""
        return word & self.mask == self.value


@dataclass(frozen=True)
class Limits:
    """What a device tolerates, and what else it can inherit. None: not stated, so that nothing is judged."""

    watchdog_ns: int | None = None
    """Nanoseconds without a feed until the watchdog trips; 0: it never trips."""
    tolerance: float = 0.10
    """Fraction of the timeout by which a silence must exceed it to be held against the device."""
    fed_by: FedBy = field(default_factory=FedBy)
    exceptions_feed: bool = False
    """Whether a request that an exception answers has fed the watchdog."""
    on_loss: Literal["hold", "shut-off"] | None = None
    """What the device does with its output when its watchdog trips."""
    max_block: int | None = None
    """The most registers that it takes in one read; never held against coils."""
    max_reads_per_s: float | None = None
    """Read requests a second that its endpoint bears, over all masters together."""
    masters: tuple[str, ...] | None = None
    """The only masters that may talk to it: names or groups in the site file, or addresses."""
    tolerable_outage_ns: int | None = None
    """Nanoseconds that the process may be without control, as its owner decided."""
    writers: tuple[str, ...] | None = None
    """The only masters that may write to it, likewise; None: nothing is stated beyond ``masters``."""
    watchdog_register: str | int | None = None
    """What states the timeout, as written: a register's name or an address; resolved by the Device."""
    watchdog_unit_s: float = 1.0
    """Seconds that an engineering value of 1 of that register stands for."""
    status_register: str | int | None = None
    """What states the device's condition, as written; resolved by the Device."""
    status_tripped: Tripped | None = None
    """Which status says that the watchdog tripped."""
    reset_register: str | int | None = None
    """What resets a trip when it is written, as written; resolved by the Device."""
    numbering: Numbering | None = None
    """How the device's manual numbers registers."""


@dataclass(frozen=True)
class Master:
    """A station that sends requests, with every address that it uses."""

    name: str
    addresses: tuple[str, ...]
    """In canonical text, as ``ipaddress`` writes them."""
    group: str | None = None
    """Name of the redundancy group; masters of one group stand in for each other."""
    may_read: bool | None = None
    """Whether it may read at all; None: not stated."""
    may_write: bool | None = None
    """Whether it may write at all; None: not stated."""
    timeout_ns: int | None = None
    """Nanoseconds after which it gives a request up."""
    hardware_addresses: tuple[str, ...] = ()
    """As RFC 7042 writes them: 00-00-5E-00-53-10."""


@dataclass(frozen=True)
class Family:
    """What devices of a kind have in common: limits as far as stated, and registers."""

    name: str
    limits: Limits = field(default_factory=Limits)
    """Its own ones where stated, the site's defaults otherwise."""
    registers: tuple[Register, ...] = ()


@dataclass(frozen=True)
class Device:
    """A declared device: the units of an endpoint that share a name and limits."""

    name: str | None
    address: str
    """In canonical text, as ``ipaddress`` writes it."""
    port: int = MODBUS_PORT
    units: tuple[int, ...] = ()
    """Unit identifiers; empty: every one of the endpoint that no other device declares."""
    gateway: bool = False
    """Whether the endpoint is a gateway, so that each unit is a device of its own."""
    limits: Limits = field(default_factory=Limits)
    """Its own ones where stated, its family's otherwise, else the site's defaults."""
    family: str | None = None
    hardware_address: str | None = None
    """As RFC 7042 writes it: 00-00-5E-00-53-51."""
    registers: tuple[Register, ...] = ()
    """Its own ones and, where these neither touch nor are called like them, its family's; by table and address."""

    @property
    def watchdog_register(self) -> Register | None:
        """The register whose value states the timeout, if the site names one."""
        return self._register(self.limits.watchdog_register)

    @property
    def status_register(self) -> Register | None:
        """The register whose value states the device's condition, if the site names one."""
        return self._register(self.limits.status_register)

    @property
    def reset_register(self) -> Register | None:
        """The register whose write, of anything but 0, resets a trip, if the site names one."""
        return self._register(self.limits.reset_register)

    def stated_watchdog_s(self, words: Sequence[int]) -> float | None:
        """Seconds that raw words of ``watchdog_register`` state; None without one, or with too few words."""
        register = self.watchdog_register
        values = decode(register, words) if register else ()
        return values[0] * self.limits.watchdog_unit_s if values else None

    def register_named(self, name: str) -> Register | None:
        """The register of that name."""
        return next((r for r in self.registers if r.name == name), None)

    def register_at(self, table: str, address: int) -> Register | None:
        """The register that holds a protocol address of a table."""
        return next((r for r in self.registers if r.touches(table, address)), None)

    def _register(self, reference: str | int | None) -> Register | None:
        """A reference's register; an address that none is declared for is one plain holding register."""
        if reference is None or isinstance(reference, str):
            return self.register_named(reference) if reference else None
        around = self.register_at("holding", reference)
        if around is None:
            return Register(None, first=reference)
        return around if around.first == reference else replace(around, first=reference, count=around.words)

    @property
    def is_one_box(self) -> bool:
        """Whether several units are declared to be one device."""
        return len(self.units) > 1 and not self.gateway
