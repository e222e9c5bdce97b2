"""Standard input of a host's process → the clock that all processes of one recording share."""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from collections.abc import AsyncIterator
from random import Random

READY = "ready"


class Clock:
    """Seconds since recording started, negative before; the same in every process (CLOCK_MONOTONIC)."""

    def __init__(self, zero_s: float) -> None:
        self.zero_s = zero_s

    def now_s(self) -> float:
        """Give the time since recording started."""
        return time.monotonic() - self.zero_s

    async def sleep_until(self, at_s: float) -> None:
        """Wait until ``at_s``; return at once if that is past."""
        await asyncio.sleep(max(0.0, at_s - self.now_s()))

    async def ticks(
        self, first_s: float, period_s: float, until_s: float, jitter_s: float, rng: Random
    ) -> AsyncIterator[float]:
        """Yield the time at each tick from ``first_s`` to before ``until_s``.

        Each comes late by at most ``jitter_s``; one missed by over half a period is left out.
        """
        for number in range(max(0, int((until_s - first_s) / period_s + 0.999))):
            due_s = first_s + number * period_s + rng.uniform(0.0, jitter_s)
            if self.now_s() > due_s + period_s / 2:
                continue
            await self.sleep_until(due_s)
            yield self.now_s()


def get_set() -> Clock:
    """Say that this process is ready; wait for the start, one number on standard input; exit without one."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # time-outs are planted here, not news
    print(READY, flush=True)
    line = sys.stdin.readline()
    if not line:
        raise SystemExit("no start was given")
    return Clock(float(line))
