"""Process of a master that asks what a plan of mbsniff says. Arguments: scenario, the master's key, the plan (TOML)."""

from __future__ import annotations

import asyncio
import sys
import tomllib
from pathlib import Path
from random import Random
from typing import Any

from plant.heater import CYCLIC_WRITES, SETPOINT
from plant.hosts import ALL, PLC, ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.plan import Scenario, setpoint
from plant.scenarios import find

AFTER_S = 1.0
WRITES_S, WRITES_AT_S = 1.0, 0.6  # the PLC's program writes setpoints beside what it polls
READ_HOLDING_REGISTERS = 3
TIMEOUT_S = 1.0
NO_JITTER_S = 0.0  # a poll that could not go out in time is left out, not made up for in a burst


class Device:
    """One connection to a device; what is asked of it is asked one after the other."""

    def __init__(self, address: str) -> None:
        host = next(host for host in ALL.values() if host.address == address)
        self.link = Link(host, TIMEOUT_S, retries=1)
        self.free = asyncio.Lock()

    async def poll(self, poll: dict[str, Any], scenario: Scenario, clock: Clock) -> None:
        """Read one block of the plan, each time it is due."""
        if poll["function"] != READ_HOLDING_REGISTERS:
            raise SystemExit(f"the plan asks for function {poll['function']}")
        first_s = scenario.masters_from_s + poll["offset_s"]
        until_s = scenario.span_s + AFTER_S
        async for _ in clock.ticks(first_s, poll["period_s"], until_s, NO_JITTER_S, Random(0)):
            async with self.free:
                await self.link.read(poll["first"], poll["count"])

    async def write_setpoints(self, zone: int, scenario: Scenario, clock: Clock) -> None:
        """Write the recipe's setpoint where it is new, or cyclically where the zone's program does so."""
        written = None
        first_s, until_s = scenario.masters_from_s + WRITES_AT_S, scenario.span_s + AFTER_S
        async for now_s in clock.ticks(first_s, WRITES_S, until_s, NO_JITTER_S, Random(0)):
            wanted = setpoint(scenario, zone, now_s)
            if zone in CYCLIC_WRITES or wanted != written:
                async with self.free:
                    written = wanted if await self.link.write(SETPOINT, wanted) else None


async def run(scenario: Scenario, key: str, polls: list[dict[str, Any]], clock: Clock) -> None:
    """Ask and write side by side until the recording is over."""
    devices: dict[str, Device] = {}
    jobs = []
    for poll in polls:
        if poll["master"] == ALL[key].address:
            device = devices.setdefault(poll["address"], Device(poll["address"]))
            jobs.append(device.poll(poll, scenario, clock))
    if key == PLC.key:
        for number, zone in enumerate(ZONES, 1):
            device = devices.setdefault(zone.address, Device(zone.address))
            jobs.append(device.write_setpoints(number, scenario, clock))
    await asyncio.gather(*jobs)
    await clock.sleep_until(scenario.span_s + AFTER_S)
    for device in devices.values():
        device.link.close()


if __name__ == "__main__":
    plan = tomllib.loads(Path(sys.argv[3]).read_text(encoding="utf-8"))
    asyncio.run(run(find(sys.argv[1]), sys.argv[2], plan["poll"], get_set()))
