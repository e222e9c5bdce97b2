"""Reads over time → how long a zone controller works on the next one; pure, no clock of its own."""

from __future__ import annotations

from collections import deque
from random import Random

WINDOW_S = 10.0
TOLERATED_PER_S = 4.0
READ_S = (0.003, 0.007)
WRITE_S = (0.002, 0.004)
EXTRA_S = 0.008  # for each read of the window above those tolerated
EXTRA_MAX_S = 0.12


class Service:
    """Work of a small controller that regulates first and communicates with what time is left.

    Within the tolerated rate a read takes a few milliseconds; above it each surplus read of the last 10 s
    makes the next one longer, up to 120 ms, times ``slowness``.
    """

    def __init__(self, seed: int, slowness: float) -> None:
        self.rng = Random(seed)
        self.slowness = slowness
        self.reads_s: deque[float] = deque()

    def read_s(self, now_s: float) -> float:
        """Give the work in seconds on a read that comes at ``now_s``."""
        self.reads_s.append(now_s)
        while self.reads_s[0] < now_s - WINDOW_S:
            self.reads_s.popleft()
        surplus = max(0.0, len(self.reads_s) - TOLERATED_PER_S * WINDOW_S)
        return self.rng.uniform(*READ_S) + self.slowness * min(EXTRA_MAX_S, EXTRA_S * surplus)

    def write_s(self) -> float:
        """Give the work in seconds on a write."""
        return self.rng.uniform(*WRITE_S)
