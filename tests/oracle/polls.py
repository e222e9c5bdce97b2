"""A device's requests in, its polls out: what is asked again and again, how often and how evenly."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

from tests.oracle.matching import Transaction, consecutive
from tests.oracle.pdus import WRITES, Range, requested
from tests.oracle.quantiles import nearest_rank, seconds


def order_of_address(address: str) -> tuple[int, int]:
    """IPv4 before IPv6, each by number."""
    parsed = ipaddress.ip_address(address)
    return parsed.version, int(parsed)


@dataclass(frozen=True)
class Poll:
    """Requests of one master to one device for the same range."""

    requests: tuple[Transaction, ...]

    @cached_property
    def intervals_ns(self) -> list[int]:
        return consecutive([one.time_ns for one in self.requests])

    @cached_property
    def median_ns(self) -> int:
        return nearest_rank(self.intervals_ns, 50)

    @cached_property
    def kind(self) -> str:
        if self._is_cyclic():
            return "cyclic"
        return "on change" if self._is_on_change() else "sporadic"

    def _is_cyclic(self) -> bool:
        if len(self.intervals_ns) < 4:
            return False
        near = sum(self.median_ns <= 2 * interval <= 3 * self.median_ns for interval in self.intervals_ns)
        return 10 * near >= 8 * len(self.intervals_ns)

    def _is_on_change(self) -> bool:
        """At least 3 writes; of those with one before, 9 in 10 bring another value."""
        if self.requests[0].function not in WRITES or len(self.requests) < 3:
            return False
        values = [written for one in self.requests if (written := requested(one.request).written)]
        changes = sum(before != after for before, after in pairwise(values))
        return 10 * changes >= 9 * (len(self.requests) - 1)

    def as_json(self) -> dict[str, Any]:
        first = self.requests[0]
        asked = requested(first.request)
        return {
            "master": first.client,
            "function": first.function,
            "start": asked.start,
            "quantity": asked.quantity,
            **self._written(asked),
            "count": len(self.requests),
            "kind": self.kind,
            "period_s": self._period() if self.kind == "cyclic" else None,
        }

    @staticmethod
    def _written(asked: Range) -> dict[str, int | None]:
        if asked.write_start is None:
            return {}
        return {"write_start": asked.write_start, "write_quantity": asked.write_quantity}

    def _period(self) -> dict[str, float | None]:
        figures = {"median": 50, "p5": 5, "p95": 95, "max": 100}
        return {name: seconds(nearest_rank(self.intervals_ns, p)) for name, p in figures.items()}


def polls_of(requests: list[Transaction]) -> list[Poll]:
    """The polls of one device, by master, function, start, quantity, written start and quantity."""
    groups: dict[tuple[Any, ...], list[Transaction]] = {}
    for one in requests:
        asked = requested(one.request)
        numbers = (one.function, *asked.addresses)
        order = tuple(-1 if number is None else number for number in numbers)
        groups.setdefault((order_of_address(one.client), *order), []).append(one)
    return [Poll(tuple(groups[key])) for key in sorted(groups)]
