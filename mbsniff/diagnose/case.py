"""What every rule looks at, and the frames that it can point to."""

from __future__ import annotations

import functools
from bisect import bisect_left
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.diagnose.finding import Certainty, Evidence, Finding, Level
from mbsniff.diagnose.lines import Lines
from mbsniff.diagnose.neighbourhood import Neighbourhood
from mbsniff.diagnose.wording import named
from mbsniff.errors import one_line
from mbsniff.exchange import Exchange, RecordingFacts
from mbsniff.exchange.columns import E_CONNECTION, E_FRAME, E_TIME_NS, N_FRAME, NOT_THE_SHAPE
from mbsniff.measure import DeviceFigures, Endpoint, Figures
from mbsniff.site import Site

MOST_EVIDENCE = 8
T = TypeVar("T")


@dataclass(frozen=True)
class Case:
    """A measured recording with the site's limits."""

    exchange: Exchange
    facts: RecordingFacts
    figures: Figures
    site: Site

    def transactions(self, device: DeviceFigures) -> NDArray[np.int32]:
        """The device's transactions in time order."""
        return self.figures.groups.transactions(device.index)

    def endpoint(self, device: DeviceFigures) -> Endpoint:
        """The device's endpoint."""
        return self.figures.endpoints[device.endpoint]

    def master_name(self, address: str) -> str:
        """A master's site name with its address, or the address alone."""
        name = self.site.name_of_master(address)
        return f"{one_line(name)} ({address})" if name else address

    def events(self, device: DeviceFigures, from_ns: int, until_ns: int) -> NDArray[np.int64]:
        """Link events of the device's endpoint between two times, in time order."""
        events = self._events_by_endpoint.get((device.address, device.port), self.exchange.events[:0])
        first, last = np.searchsorted(events[:, E_TIME_NS], (from_ns, until_ns + 1))
        return events[first:last]

    def requests_between(self, devices: NDArray[np.int64], from_ns: int, until_ns: int) -> NDArray[np.int32]:
        """Transactions of devices (their places) whose requests lie in [from, until), by device, then time."""
        order = self.figures.groups.order
        spans = zip(self._first_since(devices, from_ns), self._first_since(devices, until_ns), strict=True)
        return np.concatenate([order[:0], *(order[first:last] for first, last in spans if first < last)])

    def _first_since(self, devices: NDArray[np.int64], time_ns: int) -> list[int]:
        """Where in the groups' order each device's first request since a time lies: one bisection for all."""
        groups, times = self.figures.groups, self.exchange.request_ns
        if len(devices) == 1:
            first, last = groups.bounds[devices[0] : devices[0] + 2].tolist()
            return [bisect_left(range(last), time_ns, lo=first, key=lambda i: times[groups.order[i]])]
        low, high = groups.bounds[devices], groups.bounds[devices + 1]
        while (low < high).any():
            middle = np.minimum((low + high) // 2, len(groups.order) - 1)
            earlier = times[groups.order[middle]] < time_ns
            low = np.where((low < high) & earlier, middle + 1, low)
            high = np.where((low < high) & ~earlier, middle, high)
        found: list[int] = low.tolist()
        return found

    def devices_at(self, device: DeviceFigures) -> list[DeviceFigures]:
        """All devices of the device's endpoint, itself among them."""
        return self._devices_by_endpoint[device.endpoint]

    def bears_the_limit(self, device: DeviceFigures) -> bool:
        """Whether the endpoint is judged by this device: the first regular one with the lowest limit of reads."""
        limited = [d for d in self.devices_at(device) if d.regular and d.limits.max_reads_per_s is not None]
        lowest = min(limited, key=lambda d: d.limits.max_reads_per_s or 0, default=None)
        return lowest is not None and lowest.index == device.index

    @functools.cached_property
    def any_wrong_shape(self) -> bool:
        """Whether any message is not as its function's format asks."""
        return bool((self.exchange.status & NOT_THE_SHAPE).any())

    @functools.cached_property
    def serial_pairs(self) -> NDArray[np.bool_]:
        """Whether a pair of ``pairs`` speaks in serial framing, which has no identifiers; shape (pairs,)."""
        found = np.zeros(len(self.exchange.pairs), np.bool_)
        found[self.exchange.connection_pair[self.exchange.connection_serial > 0]] = True
        return found

    @functools.cached_property
    def any_unanswered(self) -> bool:
        """Whether any device left a request without a reply."""
        return any(device.statuses["unanswered"] for device in self.figures.devices)

    @functools.cached_property
    def _kept(self) -> dict[Hashable, Any]:
        return {}

    def once(self, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives, made when it is first asked for under this key."""
        if key not in self._kept:
            self._kept[key] = make()
        made: T = self._kept[key]
        return made

    @functools.cached_property
    def lines(self) -> Lines:
        """What each master did."""
        return Lines(self)

    @functools.cached_property
    def neighbourhood(self) -> Neighbourhood:
        """What frames beside Modbus say of hosts."""
        return Neighbourhood(self.exchange)

    @functools.cached_property
    def endpoint_of_pair(self) -> NDArray[np.int64]:
        """For each pair of a master and an endpoint the place of that endpoint, -1 where nobody asked it anything."""
        place = {(e.address, e.port): i for i, e in enumerate(self.figures.endpoints)}
        return np.array([place.get((p.server, p.port), -1) for p in self.exchange.pairs], np.int64)

    @functools.cached_property
    def next_on_connection(self) -> NDArray[np.int64]:
        """For each link event the row of the next one on its connection, -1 where there is none."""
        earlier, later = self._neighbours_on_connection
        following = np.full(len(self.exchange.events), -1, np.int64)
        following[earlier] = later
        return following

    @functools.cached_property
    def previous_on_connection(self) -> NDArray[np.int64]:
        """Likewise the one before it."""
        earlier, later = self._neighbours_on_connection
        previous = np.full(len(self.exchange.events), -1, np.int64)
        previous[later] = earlier
        return previous

    @functools.cached_property
    def _neighbours_on_connection(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows of link events, and of those that follow them on the same connection."""
        connections = self.exchange.events[:, E_CONNECTION]
        order = np.argsort(connections, kind="stable")
        same = connections[order[1:]] == connections[order[:-1]]
        return order[:-1][same], order[1:][same]

    @functools.cached_property
    def _devices_by_endpoint(self) -> dict[int, list[DeviceFigures]]:
        found: dict[int, list[DeviceFigures]] = {}
        for device in self.figures.devices:
            found.setdefault(device.endpoint, []).append(device)
        return found

    @functools.cached_property
    def _events_by_endpoint(self) -> dict[tuple[str, int], NDArray[np.int64]]:
        pairs = self.exchange.pairs
        events = self.exchange.events
        events = events[np.argsort(events[:, E_TIME_NS], kind="stable")]
        endpoints = sorted({(pair.server, pair.port) for pair in pairs})
        place = {endpoint: index for index, endpoint in enumerate(endpoints)}
        of_pair = np.array([place[pair.server, pair.port] for pair in pairs], np.int64)
        owners = of_pair[self.exchange.connection_pair[events[:, E_CONNECTION]]]
        order = np.argsort(owners, kind="stable")
        bounds = np.searchsorted(owners[order], np.arange(len(endpoints) + 1))
        return {e: events[order[bounds[i] : bounds[i + 1]]] for i, e in enumerate(endpoints)}

    def request_frames(self, rows: Iterable[int]) -> tuple[Evidence, ...]:
        """The frames that completed these transactions' requests."""
        return self.frames(self.exchange.request_frame[row] for row in list(rows)[:MOST_EVIDENCE])

    def reply_frames(self, rows: Iterable[int]) -> tuple[Evidence, ...]:
        """The frames that completed these transactions' replies."""
        return self.frames(self.exchange.reply_frame[row] for row in list(rows)[:MOST_EVIDENCE])

    def event_frames(self, events: NDArray[np.int64]) -> tuple[Evidence, ...]:
        """The frames of link events."""
        return self.frames(events[:MOST_EVIDENCE, E_FRAME])

    def network_frames(self, rows: NDArray[np.int64]) -> tuple[Evidence, ...]:
        """The frames of network events."""
        return self.frames(rows[:MOST_EVIDENCE, N_FRAME])

    def frame(self, ordinal: int) -> Evidence:
        """A frame, by its place in the recording."""
        return Evidence(*self.facts.place(ordinal))

    def frames(self, ordinals: Iterable[int]) -> tuple[Evidence, ...]:
        """Several, likewise."""
        return tuple(self.frame(int(ordinal)) for ordinal in ordinals)


def found(
    code: str,
    level: Level,
    device: DeviceFigures,
    text: str,
    *,
    at: tuple[int | None, int | None],
    certainty: Certainty = "certain",
    cause: str | None = None,
    evidence: tuple[Evidence, ...] = (),
    advice: str | None = None,
) -> Finding:
    """A finding about a device; the advice is the catalogue's unless another is given."""
    return Finding(
        code=code,
        level=level,
        device=device.key,
        name=device.name,
        from_ns=at[0],
        until_ns=at[1],
        certainty=certainty,
        text=f"{named(device.key, device.name)}: {text}",
        advice=advice or BY_CODE[code].advice,
        cause=cause,
        evidence=evidence,
    )
