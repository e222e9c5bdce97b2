"""What a plan is: polls with their periods and beginnings, figures before and after, and what stands in the way."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.plan.fit import Limit
from mbsniff.plan.target import Target


@dataclass(frozen=True)
class PlannedPoll:
    """One read of the poll list."""

    master: str
    """Its address, or ANY_MASTER."""
    master_name: str | None
    target: Target
    function: int
    first: int
    """First data address; -1 where the function has none."""
    count: int
    period_ns: int
    wanted_ns: int
    """The period as wished; shorter than ``period_ns`` where a limit stands in the way."""
    offset_ns: int
    """When it begins, after the beginning of its master's own cycle."""
    wanted_count: int
    """How many of its addresses somebody wants; the others are bridged."""
    fixed: bool
    """Whether it was taken over as it is, since its function does more than read a block."""


@dataclass(frozen=True)
class Numbers:
    """What polling a device comes to. None: not known."""

    polls: int
    """Cyclic reads."""
    reads_per_s: float
    """The sum of their rates, 1 ÷ period each."""
    registers_per_s: float
    """The same times their quantities; bits (functions 1 and 2) are not counted."""
    largest_block: int | None
    """Registers."""
    spare_polls: int | None
    second: int
    """Most reads of the endpoint in a second: measured, or the simulated schedule's worst."""
    ten_seconds: int
    busy_share: float | None
    """Share of its time that the endpoint is at work: requests a second, writes included, × median service time."""
    busy_share_p95: float | None
    """The same with the 95th percentile."""


@dataclass(frozen=True)
class DevicePlan:
    """A device before and after."""

    target: Target
    limit: Limit | None
    before: Numbers | None
    """None without a recording of it."""
    after: Numbers
    simulated: bool
    """Whether a whole repetition of the schedule was simulated; otherwise its densest second is an upper bound."""


@dataclass(frozen=True)
class Obstacle:
    """A wish that cannot be met: which limit stands in the way, and what comes nearest."""

    kind: str
    """"reads per second", "unreadable" or "watchdog"."""
    devices: tuple[Target, ...]
    text: str
    """A sentence without its full stop; names in it are as the site file has them."""


@dataclass(frozen=True)
class Plan:
    """A poll list for every device of a recording or a site file."""

    polls: list[PlannedPoll]
    """By master, device, function, address."""
    devices: list[DevicePlan]
    obstacles: list[Obstacle]
    notes: list[tuple[str, tuple[Target, ...]]]
    """What else there is to know, and of which devices."""
    mean_only: bool

    @property
    def as_wished(self) -> bool:
        """Whether every wish is met within every limit."""
        return not self.obstacles
