"""Process of the supervisory station: reads every zone every few seconds. Argument: scenario."""

from __future__ import annotations

import asyncio
import sys
from random import Random

from plant.hosts import ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.scenarios import Scenario, find

BLOCK = (0, 8)
FIRST_S, STAGGER_S, JITTER_S = 0.5, 0.21, 0.05
AFTER_S = 1.0


async def watch(scenario: Scenario, number: int, clock: Clock) -> None:
    """Read one zone (1 to 6) until the recording is over."""
    link = Link(ZONES[number - 1], timeout_s=2.0, retries=0)
    first_s = scenario.masters_from_s + FIRST_S + STAGGER_S * (number - 1)
    until_s = scenario.span_s + AFTER_S
    async for _ in clock.ticks(first_s, scenario.station_period_s, until_s, JITTER_S, Random(100 + number)):
        await link.read(*BLOCK)
    await clock.sleep_until(until_s)
    link.close()


async def run(scenario: Scenario, clock: Clock) -> None:
    """Watch the six zones side by side."""
    await asyncio.gather(*(watch(scenario, number, clock) for number in range(1, len(ZONES) + 1)))


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
