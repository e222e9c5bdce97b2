"""What a recording's plan is made of: `Scenario`, and what each host does in it; data only.

Times are seconds after recording starts; negative ones lie before it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

Block = tuple[int, int]  # first register, quantity


@dataclass(frozen=True)
class Recipe:
    """From ``at_s`` on, the setpoints of zones 1 to 6 in 0.1 °C."""

    at_s: float
    setpoints: tuple[int, int, int, int, int, int]


@dataclass(frozen=True)
class TerminalJob:
    """The recipe terminal reads ``blocks`` in turn from each of ``zones`` (1 to 6), one each ``period_s``."""

    from_s: float
    until_s: float
    zones: tuple[int, ...]
    period_s: float
    blocks: tuple[Block, ...]
    timeout_s: float = 1.0


@dataclass(frozen=True)
class Act:
    """At ``at_s`` something is done to ``target``: a host's key, a process or a trunk; see plant/acts.py."""

    at_s: float
    what: str
    target: str


@dataclass(frozen=True)
class Away:
    """Zone ``zone`` (1 to 6; 0: all) is left out from ``from_s`` until ``until_s``."""

    zone: int
    from_s: float
    until_s: float


@dataclass(frozen=True)
class PlcPlan:
    """How the oven PLC asks.

    After ``retries`` further tries of ``timeout_s`` each it throws the connection away with a reset, unless it
    ``keeps_connection``. What a zone closed, or it closed itself
    at (zone, time) of ``hangs_up``, it opens again after ``reconnect_s``. ``in_sequence``: one zone after the
    other instead of side by side. ``exchanged``: zones that it reads by function 23, which writes them a long table
    at once. ``unasked`` zones get no request at all, ``unwritten`` ones no setpoint.
    """

    jitter_s: float = 0.02
    timeout_s: float = 1.0
    retries: int = 1
    keeps_connection: bool = False
    reconnect_s: float = 0.0
    in_sequence: bool = False
    keep_alive_s: int = 0  # idle time before TCP probes, and between probes; 0: none
    exchanged: tuple[int, ...] = ()
    unasked: tuple[Away, ...] = ()
    unwritten: tuple[Away, ...] = ()
    hangs_up: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True)
class ZonePlan:
    """What is different about one zone.

    ``work_s``: further work on each read, (time, seconds) with straight lines between. ``surplus_s`` for each
    read above the tolerated ones, up to ``surplus_max_s``. ``busy_from`` waiting requests on it answers exception
    06; 0: never. ``slots``: connections that it takes at once, further ones are reset; 0: any number.
    ``evicts``: takes those further ones and closes its oldest one for each. ``keeps_little``: takes no
    more than 1152 bytes of a connection that it does not read. ``hangs_up_at_s``: closes all its connections.
    """

    work_s: tuple[tuple[float, float], ...] = ()
    surplus_s: float = 0.008
    surplus_max_s: float = 0.12
    busy_from: int = 0
    slots: int = 0
    evicts: bool = False
    keeps_little: bool = False
    hangs_up_at_s: float | None = None


@dataclass(frozen=True)
class StationPlan:
    """The supervisory station reads ``zones``, each once in ``period_s``, and pings hosts once a second."""

    period_s: float = 2.5
    timeout_s: float = 2.0
    zones: tuple[int, ...] = (1, 2, 3, 4, 5, 6)
    pings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cabling:
    """``far``: keys of hosts at a second switch, joined to the first, where the recorder is, by ``trunks``.

    Towards the second switch a trunk carries at most ``trunk_kbit_per_s``; 0: whatever comes.
    """

    far: tuple[str, ...] = ()
    trunks: int = 0
    trunk_kbit_per_s: int = 0
    spanning_tree: bool = False


@dataclass(frozen=True)
class Lease:
    """From ``at_s`` on, zone 3 gets ``address`` when it asks for one; empty: it is refused the one it has."""

    at_s: float
    address: str


@dataclass(frozen=True)
class Scenario:
    """Plan of one recording.

    ``file`` is written beside make.py; its name decides on the format, ``nanoseconds`` on the times of a pcap
    file. Masters start at ``masters_from_s`` (negative: the plant is running when recording starts). The
    recorder records nothing in ``recorder_away`` (from, until). ``announces`` are hosts that defend or
    keep announcing their address.
    """

    name: str
    file: str
    span_s: float
    recipes: tuple[Recipe, ...]
    masters_from_s: float = -6.07  # so that recording starts between two polls
    station: StationPlan = StationPlan()
    terminal: tuple[TerminalJob, ...] = ()
    plc: PlcPlan = PlcPlan()
    zones: dict[int, ZonePlan] = field(default_factory=dict)
    acts: tuple[Act, ...] = ()
    cabling: Cabling = Cabling()
    gateway: bool = False
    announces: tuple[str, ...] = ()
    leases: tuple[Lease, ...] = ()
    storm: tuple[float, float] | None = None  # (from, until), from where the recipe terminal is
    recorder_away: tuple[float, float] | None = None
    fed_by_plc: bool = False  # zones 1 to 3 by its setpoints, 4 to 6 by its reads; else by any request
    nanoseconds: bool = True


def setpoint(scenario: Scenario, zone: int, at_s: float) -> int:
    """Give the setpoint (0.1 °C) that the recipe in force at ``at_s`` asks of ``zone`` (1 to 6)."""
    begun = [recipe for recipe in scenario.recipes if recipe.at_s <= at_s]
    return (begun[-1] if begun else scenario.recipes[0]).setpoints[zone - 1]


def is_away(spans: tuple[Away, ...], zone: int, at_s: float) -> bool:
    """Tell whether ``zone`` is left out at ``at_s``."""
    return any(away.zone in (0, zone) and away.from_s <= at_s < away.until_s for away in spans)
