"""Process of the supervisory station: reads zones every few seconds, pings hosts. Argument: scenario."""

from __future__ import annotations

import asyncio
import os
import socket
import sys
from collections.abc import Coroutine
from contextlib import suppress
from random import Random
from typing import Any

from plant.hosts import ALL, ZONES
from plant.link import Link
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

BLOCK = (0, 8)
FIRST_S, STAGGER_S, JITTER_S = 0.5, 0.21, 0.05
PING_S, PING_BYTES = 1.0, 16
AFTER_S = 1.0


async def watch(scenario: Scenario, number: int, clock: Clock) -> None:
    """Read one zone (1 to 6) until the recording is over."""
    link = Link(ZONES[number - 1], scenario.station.timeout_s, retries=0)
    first_s = scenario.masters_from_s + FIRST_S + STAGGER_S * (number - 1)
    until_s = scenario.span_s + AFTER_S
    ticks = clock.ticks(first_s, scenario.station.period_s, until_s, JITTER_S, Random(100 + number))
    async for _ in ticks:
        await link.read(*BLOCK)
    await clock.sleep_until(until_s)
    link.close()


async def ping(scenario: Scenario, key: str, clock: Clock) -> None:
    """Send a host an ICMP echo request each second; the recorder sees whether it answers."""
    from scapy.layers.inet import ICMP

    until_s = scenario.span_s + AFTER_S
    with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as sock:
        ticks = clock.ticks(scenario.masters_from_s + FIRST_S / 2, PING_S, until_s, JITTER_S, Random(key))
        number = 0
        async for _ in ticks:
            number += 1
            echo = ICMP(type="echo-request", id=os.getpid() & 0xFFFF, seq=number) / bytes(PING_BYTES)
            with suppress(OSError):  # the kernel tells of the one before that found no host
                sock.sendto(bytes(echo), (ALL[key].address, 0))


async def run(scenario: Scenario, clock: Clock) -> None:
    """Watch the zones side by side."""
    jobs: list[Coroutine[Any, Any, None]] = [watch(scenario, n, clock) for n in scenario.station.zones]
    jobs += [ping(scenario, key, clock) for key in scenario.station.pings]
    await asyncio.gather(*jobs)


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
