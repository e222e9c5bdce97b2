"""Process of the recipe terminal: reads the blocks of its jobs, while they last. Argument: scenario."""

from __future__ import annotations

import asyncio
import sys
from itertools import cycle
from random import Random

from plant.hosts import ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.plan import Scenario, TerminalJob
from plant.scenarios import find

STAGGER_S, JITTER_S = 0.04, 0.01


async def read_page(job: TerminalJob, number: int, clock: Clock) -> None:
    """Read the job's blocks in turn from one zone (1 to 6), over a connection opened for it."""
    link = Link(ZONES[number - 1], timeout_s=job.timeout_s, retries=0)
    blocks = cycle(job.blocks)
    first_s = job.from_s + STAGGER_S * (number - 1)
    async for _ in clock.ticks(first_s, job.period_s, job.until_s, JITTER_S, Random(200 + number)):
        await link.read(*next(blocks))
    link.close()


async def run(scenario: Scenario, clock: Clock) -> None:
    """Run all jobs, each zone of each on its own."""
    pages = [(job, number) for job in scenario.terminal for number in job.zones]
    await asyncio.gather(*(read_page(job, number, clock) for job, number in pages))


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
