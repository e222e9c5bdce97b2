"""What measure hands to diagnose: figures per device, endpoint, master and poll. Definitions: DEVELOPERS.md.

Times are int64 nanoseconds since the epoch, lengths nanoseconds; None where there is nothing to measure.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from mbsniff.measure.groups import Groups
from mbsniff.site import Limits


@dataclass(frozen=True)
class Quantiles:
    """Nearest ranks of a set of lengths, in nanoseconds."""

    count: int
    p5: int
    median: int
    p95: int
    p99: int
    max: int


@dataclass(frozen=True)
class PollFigures:
    """One poll: what is asked, how often, and how regularly."""

    row: int
    """Row of the poll table."""
    master: str
    function: int
    start: int | None
    quantity: int | None
    write_start: int | None
    write_quantity: int | None
    count: int
    answered: int
    changes: int
    feeds: bool
    kind: Literal["cyclic", "on change", "sporadic"]
    period: Quantiles | None
    """Of its intervals, whatever its kind."""


@dataclass(frozen=True)
class Silence:
    """A stretch between two feeds, or the one that the recording's end cuts."""

    from_ns: int
    until_ns: int
    shortest_ns: int
    longest_ns: int | None
    before: int
    """Transaction of the feed before."""
    after: int | None
    """Transaction of the feed after; None where the recording ends first."""
    certain: bool
    """Whether its shortest possible length is beyond the limit, where there is one."""

    @property
    def length_ns(self) -> int:
        """Between first sightings."""
        return self.until_ns - self.from_ns


@dataclass(frozen=True)
class MasterSilence:
    """A master's own longest silence towards a device."""

    master: str
    silence: Silence
    beyond: int
    """How many of its silences are beyond the watchdog's timeout for certain."""


@dataclass(frozen=True)
class Silences:
    """A device's silences: the longest, those beyond the timeout, those that the recording cuts."""

    feeds: int
    longest: Silence | None
    beyond: list[Silence]
    """Beyond the timeout, certainly or possibly, in time order; the first ones where there are very many."""
    certain: int
    possible: int
    start_ns: int | None
    """From the recording's start to the first feed."""
    end: Silence | None
    """From the last feed to the recording's end."""
    end_is_due: Literal["certain", "possible"] | None


@dataclass(frozen=True)
class Busiest:
    """The most reads in any window of a given width."""

    reads: int
    from_ns: int | None
    width_ns: int


@dataclass(frozen=True)
class Load:
    """Reads of one endpoint, or of one master at it."""

    reads: int
    second: Busiest
    ten_seconds: Busiest


@dataclass(frozen=True)
class MasterHabits:
    """How a master behaves towards an endpoint when replies fail to come, as observed."""

    master: str
    server: str
    port: int
    requests: int
    connections: int
    timeout_ns: int | None
    """Median wait after which it went on without a reply."""
    tries: int | None
    """Most requests of one poll in a row without a reply."""
    reconnect_ns: int | None
    """Median time from the end of a connection to the next attempt to open one."""


@dataclass(frozen=True)
class Endpoint:
    """A server's address and port, with the load of all its units and of each master."""

    address: str
    port: int
    load: Load
    by_master: dict[str, Load]
    habits: list[MasterHabits]

    @property
    def key(self) -> str:
        """Address and port as one text: "192.0.2.51:502"."""
        return f"[{self.address}]:{self.port}" if ":" in self.address else f"{self.address}:{self.port}"


@dataclass(frozen=True)
class DeviceFigures:
    """All figures of one device."""

    address: str
    port: int
    units: tuple[int, ...]
    name: str | None
    limits: Limits
    index: int
    """Its own place in the list of devices."""
    endpoint: int
    """Place of its endpoint in the list of endpoints."""
    masters: list[str]
    """Addresses of its masters, in numeric order."""
    regular: bool
    requests: int
    statuses: dict[str, int]
    """By status name; "orphan" counts replies without a request."""
    answered: int
    exceptions: dict[int, int]
    """By exception code; 0 where a reply had none or it was not recorded."""
    functions: dict[int, int]
    block_sizes: dict[int, dict[int, int]]
    resent: int
    sent_again: int
    reads: int
    busiest: Busiest
    reply: Quantiles | None
    service: Quantiles | None
    silences: Silences
    master_silences: list[MasterSilence]
    polls: list[PollFigures]
    first_ns: int | None
    last_ns: int | None

    @property
    def key(self) -> str:
        """Address, port and unit as one text: "192.0.2.51:502/1"."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        return f"{host}:{self.port}/{','.join(str(u) for u in self.units)}"

    @property
    def fastest_feeding_poll(self) -> PollFigures | None:
        """The cyclic feeding poll with the shortest median period."""
        cyclic = [p for p in self.polls if p.feeds and p.kind == "cyclic" and p.period]
        return min(cyclic, key=lambda p: p.period.median if p.period else 0, default=None)


@dataclass(frozen=True)
class Figures:
    """What was measured in a recording."""

    span_ns: int
    devices: list[DeviceFigures]
    """By address, port and unit, in numeric order."""
    endpoints: list[Endpoint]
    vantage: Literal["masters", "devices", "between", "unknown"]
    handshakes: int
    """Handshakes that the vantage rests on."""
    exceptions_by_poll: dict[int, dict[int, int]]
    """Rows of the poll table: exception code (or NO_CODE): how many."""
    groups: Groups = field(repr=False, compare=False)
    """Which transactions belong to which device, for evidence; in the order of ``devices``."""
