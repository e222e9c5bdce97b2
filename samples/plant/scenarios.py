"""The plans: one `Scenario` a recording, with what is planted and when (seconds after recording starts)."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True)
class Outage:
    """Something is away from ``at_s`` on for ``for_s``."""

    at_s: float
    for_s: float


@dataclass(frozen=True)
class Scenario:
    """Plan of one recording.

    ``file`` is written beside make.py; its name decides on the format, ``nanoseconds`` on the times of a pcap
    file. Masters start at ``masters_from_s`` (negative: the plant is running when recording starts).
    ``zone_3_link`` and ``plc_process`` are taken away.
    """

    name: str
    file: str
    span_s: float
    recipes: tuple[Recipe, ...]
    masters_from_s: float = -6.07  # so that recording starts between two polls
    station_period_s: float = 2.5
    terminal: tuple[TerminalJob, ...] = ()
    zone_3_link: Outage | None = None
    plc_process: Outage | None = None
    nanoseconds: bool = True


ROLLS = (2100, 2250, 2400, 2350, 2200, 1900)
RYE = (2300, 2500, 2600, 2450, 2250, 2000)
BUNS = (1900, 2000, 2150, 2100, 2050, 1800)
STONE_LOAF = (2200, 2450, 2550, 2500, 2300, 1950)

SCENARIOS = (
    Scenario(
        name="healthy-shift",
        file="healthy-shift.pcap",
        span_s=90,
        masters_from_s=1.1,
        station_period_s=4.0,
        recipes=(
            Recipe(0, ROLLS),
            Recipe(22, RYE),
            Recipe(40, BUNS),
            Recipe(57, STONE_LOAF),
            Recipe(74, ROLLS),
        ),
    ),
    Scenario(
        name="recipe-terminal",
        file="recipe-terminal.pcapng.gz",
        span_s=110,
        recipes=(Recipe(0, ROLLS), Recipe(100, RYE)),
        terminal=(
            TerminalJob(36, 52, (1, 2, 3, 4, 5, 6), 1.0, ((0, 16),)),
            TerminalJob(52, 108, (1, 2, 3, 4, 5, 6), 0.3, ((0, 16), (16, 16), (32, 16), (48, 16))),
        ),
    ),
    Scenario(
        name="link-down",
        file="link-down.pcap",
        span_s=90,
        recipes=(Recipe(0, RYE), Recipe(20, STONE_LOAF)),
        zone_3_link=Outage(40, 11.5),
    ),
    Scenario(
        name="plc-silent",
        file="plc-silent.pcapng",
        span_s=80,
        station_period_s=1.6,
        recipes=(Recipe(0, BUNS), Recipe(20, ROLLS)),
        plc_process=Outage(40, 8),
    ),
    Scenario(
        name="block-edge",
        file="block-edge.pcap",
        nanoseconds=False,
        span_s=90,
        recipes=(Recipe(0, STONE_LOAF), Recipe(50, ROLLS)),
        terminal=(
            TerminalJob(
                15, 85, (2, 5), 1.0, (*((start, 16) for start in range(0, 96, 16)), (96, 5), (96, 4))
            ),
            TerminalJob(60, 85, (6,), 2.0, ((0, 20),)),
        ),
    ),
)


def find(name: str) -> Scenario:
    """Give the scenario of that name; KeyError where there is none."""
    return {scenario.name: scenario for scenario in SCENARIOS}[name]


def setpoint(scenario: Scenario, zone: int, at_s: float) -> int:
    """Give the setpoint (0.1 °C) that the recipe in force at ``at_s`` asks of ``zone`` (1 to 6)."""
    begun = [recipe for recipe in scenario.recipes if recipe.at_s <= at_s]
    return (begun[-1] if begun else scenario.recipes[0]).setpoints[zone - 1]
