"""The plans: one `Scenario` a recording, with what is planted and when (seconds after recording starts)."""

from __future__ import annotations

from plant.causes import CAUSES
from plant.plan import Act, Recipe, Scenario, StationPlan, TerminalJob
from plant.recipes import BUNS, ROLLS, RYE, STONE_LOAF

LINE = (
    Scenario(
        name="healthy-shift",
        file="healthy-shift.pcap",
        span_s=90,
        masters_from_s=1.1,
        station=StationPlan(period_s=4.0),
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
        acts=(Act(40, "port down", "zone3"), Act(51.5, "port up", "zone3")),
    ),
    Scenario(
        name="plc-silent",
        file="plc-silent.pcapng",
        span_s=80,
        station=StationPlan(period_s=1.6),
        recipes=(Recipe(0, BUNS), Recipe(20, ROLLS)),
        acts=(Act(40, "stop", "plc"), Act(48, "continue", "plc")),
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
SCENARIOS = (*LINE, *CAUSES)
PLANNED = Scenario(  # no sample: for a run with a poll list of `mbsniff plan`
    name="planned-polls",
    file="planned-polls.pcap",
    span_s=45,
    recipes=(Recipe(0, ROLLS), Recipe(15, RYE), Recipe(30, ROLLS)),
)


def find(name: str) -> Scenario:
    """Give the scenario of that name; KeyError where there is none."""
    return {scenario.name: scenario for scenario in (*SCENARIOS, PLANNED)}[name]
