"""An Exchange and a Site in, its devices, masters and polls with the transactions of each out."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from ipaddress import ip_address

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange, PollKey
from mbsniff.exchange.columns import ORPHAN_START
from mbsniff.exchange.sorting import bounds_of, inverse, time_places
from mbsniff.site import Device, Site

BLOCK_READS = (1, 2, 3, 4, 23)
READS = frozenset((1, 2, 3, 4, 20, 23, 24))
WRITES = frozenset((5, 6, 15, 16, 21, 22, 23))


@functools.lru_cache(maxsize=4096)
def address_rank(address: str) -> tuple[int, int]:
    """Sorts addresses numerically, IPv4 first."""
    ip = ip_address(address)
    return ip.version, int(ip)


@dataclass(frozen=True)
class Group:
    """A device: an endpoint's unit, or the units that the site declares to be one."""

    address: str
    port: int
    units: tuple[int, ...]
    declared: Device | None


@dataclass(frozen=True)
class Groups:
    """Which device and master every poll belongs to, and each device's transactions in time order."""

    exchange: Exchange
    keys: list[PollKey]
    devices: list[Group]
    masters: list[str]
    """Addresses; a redundancy group or a master with several addresses goes by its first one."""
    device_of_poll: NDArray[np.int64]
    pair_of_poll: NDArray[np.int64]
    master_of_poll: NDArray[np.int64]
    master_of_pair: NDArray[np.int64]
    polls_of_device: list[list[int]]
    bounds: NDArray[np.int64]
    """Shape (devices + 1,): where each device's transactions lie in ``order``."""
    order: NDArray[np.int32]
    """Shape (transactions,): transactions by device, in time order within each."""

    _tables: dict[int, NDArray[np.int64]] = field(default_factory=dict, repr=False, compare=False)

    @contextmanager
    def table(
        self,
        rows: list[int],
        values: int | Sequence[int] | NDArray[np.int64],
        *,
        rest: int = 0,
        place: int = 0,
    ) -> Iterator[NDArray[np.int64]]:
        """A column over all polls that has ``values`` at ``rows`` and ``rest`` elsewhere, shape (polls,).

        One array for each ``place`` serves every call, so that thousands of devices cost what their own polls do;
        it is put right again at the end, as far as it was changed at ``rows``.
        """
        if place not in self._tables:
            self._tables[place] = np.full(len(self.keys), rest, np.int64)
        column = self._tables[place]
        column[rows] = values
        try:
            yield column
        finally:
            column[rows] = rest

    def transactions(self, device: int) -> NDArray[np.int32]:
        """The device's transactions in time order."""
        return self.order[self.bounds[device] : self.bounds[device + 1]]


def group(exchange: Exchange, site: Site, *, compiled: bool) -> Groups:
    """Group an exchange's transactions by device."""
    keys = exchange.poll_keys()
    devices, device_of_poll = _devices(exchange, keys, site)
    joined = {a: g.addresses[0] for g in site.address_groups() for a in g.addresses}
    clients = [joined.get(pair.client, pair.client) for pair in exchange.pairs]
    masters = sorted(set(clients), key=address_rank)
    place = {master: index for index, master in enumerate(masters)}
    master_of_pair = np.array([place[client] for client in clients], np.int64)
    pair_of_poll = np.array([key.pair for key in keys], np.int64)
    polls_of_device: list[list[int]] = [[] for _ in devices]
    for row, device in enumerate(device_of_poll.tolist()):
        polls_of_device[device].append(row)
    bounds = bounds_of(exchange.polls, device_of_poll, len(devices))
    order = np.arange(len(exchange.poll), dtype=np.int32)  # they stand by endpoint, unit and time already
    if any(len(device.units) > 1 for device in devices):
        given = (exchange.poll, exchange.request_ns, exchange.request_frame)
        order = inverse(time_places(*given, bounds, device_of_poll, compiled=compiled))
    return Groups(
        exchange=exchange,
        keys=keys,
        devices=devices,
        masters=masters,
        device_of_poll=device_of_poll,
        pair_of_poll=pair_of_poll,
        master_of_poll=master_of_pair[pair_of_poll],
        master_of_pair=master_of_pair,
        polls_of_device=polls_of_device,
        bounds=bounds,
        order=order,
    )


def _devices(exchange: Exchange, keys: list[PollKey], site: Site) -> tuple[list[Group], NDArray[np.int64]]:
    """The devices in numeric order, and the device of every poll."""
    found: dict[tuple[str, int, tuple[int, ...]], Device | None] = {}
    belongs = {}
    for pair, unit in dict.fromkeys((key.pair, key.unit) for key in keys):
        whom = exchange.pairs[pair]
        declared = site.device_for(whom.server, whom.port, unit)
        units = declared.units if declared and declared.is_one_box else (unit,)
        identity = (whom.server, whom.port, units)
        found[identity] = declared
        belongs[pair, unit] = identity
    ranked = sorted(found, key=lambda d: (address_rank(d[0]), d[1], d[2]))
    place = {identity: index for index, identity in enumerate(ranked)}
    devices = [Group(*identity, found[identity]) for identity in ranked]
    return devices, np.array([place[belongs[key.pair, key.unit]] for key in keys], np.int64)


def is_orphan(key: PollKey) -> bool:
    """Whether the poll is the row that collects a device's replies without requests."""
    return key.start == ORPHAN_START
