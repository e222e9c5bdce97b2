"""Process of the oven PLC: reads every zone each second, writes setpoints. Argument: scenario."""

from __future__ import annotations

import asyncio
import sys
from random import Random

from plant.heater import RESET, SETPOINT, STATUS, TRIPPED
from plant.hosts import ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.scenarios import Scenario, find, setpoint

PERIOD_S, JITTER_S, STAGGER_S = 1.0, 0.02, 0.15
BLOCK = (0, 16)
CYCLIC_WRITES = (1, 2, 3)  # zones that get their setpoint every cycle; the others when it changes
GOOD_CYCLES_BEFORE_RESET = 3
AFTER_S = 1.0


class ZoneTask:
    """The PLC's task for one zone (1 to 6)."""

    def __init__(self, scenario: Scenario, number: int) -> None:
        self.scenario, self.number = scenario, number
        self.link = Link(ZONES[number - 1], timeout_s=1.0, retries=1)
        self.written: int | None = None
        self.good_cycles = 0

    async def run(self, clock: Clock) -> None:
        """Cycle until the recording is over."""
        first_s = self.scenario.masters_from_s + STAGGER_S * (self.number - 1)
        until_s = self.scenario.span_s + AFTER_S
        async for now_s in clock.ticks(first_s, PERIOD_S, until_s, JITTER_S, Random(self.number)):
            await self._cycle(now_s)
        await clock.sleep_until(until_s)
        self.link.close()

    async def _cycle(self, now_s: float) -> None:
        registers = await self.link.read(*BLOCK)
        self.good_cycles = self.good_cycles + 1 if registers else 0
        if registers is None:
            self.written = None  # after a failure the setpoint is written anew
            return
        wanted = setpoint(self.scenario, self.number, now_s)
        if self.number in CYCLIC_WRITES or wanted != self.written:
            self.written = wanted if await self.link.write(SETPOINT, wanted) else None
        # A controller that shut its output off takes a reset only while requests are arriving.
        if registers[STATUS] & TRIPPED and self.good_cycles >= GOOD_CYCLES_BEFORE_RESET:
            await self.link.write(RESET, 1)


async def run(scenario: Scenario, clock: Clock) -> None:
    """Run the six zone tasks side by side."""
    await asyncio.gather(*(ZoneTask(scenario, number).run(clock) for number in range(1, len(ZONES) + 1)))


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
