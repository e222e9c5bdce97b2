"""What a site declares, as plain values: a device's limits, what feeds its watchdog, masters, devices."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

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
class Limits:
    """What a device tolerates. None: not stated, so that nothing is judged against it."""

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
    """The only masters that may talk to it: names in the site file, or addresses."""
    tolerable_outage_ns: int | None = None
    """Nanoseconds that the process may be without control, as its owner decided."""


@dataclass(frozen=True)
class Master:
    """A station that sends requests, with every address that it uses."""

    name: str
    addresses: tuple[str, ...]
    """In canonical text, as ``ipaddress`` writes them."""
    group: str | None = None
    """Name of the redundancy group; masters of one group stand in for each other."""


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
    """Its own ones where stated, the site's defaults otherwise."""

    @property
    def is_one_box(self) -> bool:
        """Whether several units are declared to be one device."""
        return len(self.units) > 1 and not self.gateway
