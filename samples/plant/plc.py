"""Process of the oven PLC: reads every zone each second, writes setpoints. Argument: scenario."""

from __future__ import annotations

import asyncio
import sys
from random import Random

from plant.heater import CYCLIC_WRITES, RESET, SETPOINT, STATUS, TABLE, TRIPPED
from plant.hosts import FANS, GATEWAY, ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.plan import Scenario, is_away, setpoint
from plant.scenarios import find

PERIOD_S, STAGGER_S = 1.0, 0.15
BLOCK, FAN_BLOCK = (0, 16), (0, 4)
GOOD_CYCLES_BEFORE_RESET = 3
AFTER_S = 1.0


class ZoneTask:
    """The PLC's task for one zone (1 to 6)."""

    def __init__(self, scenario: Scenario, number: int, clock: Clock) -> None:
        plan = scenario.plc
        self.scenario, self.number, self.clock, self.plan = scenario, number, clock, plan
        self.link = Link(
            ZONES[number - 1],
            plan.timeout_s,
            plan.retries,
            keeps_connection=plan.keeps_connection,
            reconnect_s=plan.reconnect_s,
            keep_alive_s=plan.keep_alive_s,
        )
        self.written: int | None = None
        self.good_cycles = 0

    async def run(self) -> None:
        """Cycle until the recording is over."""
        until_s = self.scenario.span_s + AFTER_S
        first_s = self.scenario.masters_from_s + STAGGER_S * (self.number - 1)
        jitter_s, rng = self.plan.jitter_s, Random(self.number)
        async for now_s in self.clock.ticks(first_s, PERIOD_S, until_s, jitter_s, rng):
            await self.cycle(now_s)
        await self.clock.sleep_until(until_s)
        self.link.close()

    async def hang_up(self, at_s: float) -> None:
        """Close the connection once, as when a task is loaded anew."""
        await self.clock.sleep_until(at_s)
        self.link.hang_up()

    async def cycle(self, now_s: float) -> None:
        """Ask the zone once, unless the plan leaves it out at ``now_s``."""
        if is_away(self.plan.unasked, self.number, now_s):
            return
        registers = await self._read()
        self.good_cycles = self.good_cycles + 1 if registers else 0
        if registers is None:
            self.written = None  # after a failure the setpoint is written anew
            return
        wanted = setpoint(self.scenario, self.number, now_s)
        if self._is_to_write(wanted, now_s):
            self.written = wanted if await self.link.write(SETPOINT, wanted) else None
        # A controller that shut its output off takes a reset only while requests are arriving.
        if registers[STATUS] & TRIPPED and self.good_cycles >= GOOD_CYCLES_BEFORE_RESET:
            await self.link.write(RESET, 1)

    async def _read(self) -> list[int] | None:
        if self.number in self.plan.exchanged:
            return await self.link.exchange(*BLOCK, TABLE.start, list(TABLE))
        return await self.link.read(*BLOCK)

    def _is_to_write(self, wanted: int, now_s: float) -> bool:
        if is_away(self.plan.unwritten, self.number, now_s):
            return False
        return self.number in CYCLIC_WRITES or wanted != self.written


async def run_in_sequence(tasks: list[ZoneTask], scenario: Scenario, clock: Clock) -> None:
    """Ask one zone after the other, so that each waits for those before it."""
    until_s = scenario.span_s + AFTER_S
    ticks = clock.ticks(scenario.masters_from_s, PERIOD_S, until_s, scenario.plc.jitter_s, Random(0))
    async for _ in ticks:
        for task in tasks:
            await task.cycle(clock.now_s())
    await clock.sleep_until(until_s)
    for task in tasks:
        task.link.close()


async def watch_fan(scenario: Scenario, place: int, clock: Clock) -> None:
    """Read one fan's drive through the gateway, each second."""
    link = Link(GATEWAY, scenario.plc.timeout_s, scenario.plc.retries, unit_id=FANS[place])
    until_s = scenario.span_s + AFTER_S
    first_s = scenario.masters_from_s + 0.05 + STAGGER_S * place
    jitter_s, rng = scenario.plc.jitter_s, Random(FANS[place])
    async for _ in clock.ticks(first_s, PERIOD_S, until_s, jitter_s, rng):
        await link.read(*FAN_BLOCK)
    link.close()


async def run(scenario: Scenario, clock: Clock) -> None:
    """Run the six zone tasks side by side, or in sequence where the plan says so, and the fans' beside them."""
    tasks = [ZoneTask(scenario, number, clock) for number in range(1, len(ZONES) + 1)]
    jobs = [] if scenario.plc.in_sequence else [task.run() for task in tasks]
    if scenario.plc.in_sequence:
        jobs.append(run_in_sequence(tasks, scenario, clock))
    jobs += [tasks[zone - 1].hang_up(at_s) for zone, at_s in scenario.plc.hangs_up]
    if scenario.gateway:
        jobs += [watch_fan(scenario, place, clock) for place in range(len(FANS))]
    await asyncio.gather(*jobs)


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
