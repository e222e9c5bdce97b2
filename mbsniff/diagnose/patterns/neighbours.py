"""What hosts say by ARP, neighbour discovery and DHCP, and from which hardware address they send, in; findings out."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.case import MOST_EVIDENCE, Case, found
from mbsniff.diagnose.finding import Evidence, Finding
from mbsniff.diagnose.patterns.ground import Ground, Longs
from mbsniff.diagnose.wording import clock, counted
from mbsniff.exchange.columns import (
    N_ADDRESS,
    N_FRAME,
    N_KIND,
    N_MAC,
    N_TARGET,
    N_TARGET_MAC,
    N_TIME_NS,
)
from mbsniff.wire.network.rows import (
    ADDRESS_ANNOUNCED,
    ECHO_ANSWERED,
    LEASE_GIVEN,
    LOOKUP_ANSWERED,
    LOOKUP_ASKED,
    ORIGIN,
)

CLAIMS = (LOOKUP_ASKED, LOOKUP_ANSWERED, ADDRESS_ANNOUNCED)  # the sender names its own two addresses
ANSWERS = (LOOKUP_ANSWERED, ECHO_ANSWERED)
AT_LEAST = 2


@dataclass(frozen=True)
class Neighbours:
    """Network events by who is meant."""

    case: Case

    @staticmethod
    def of(case: Case) -> Neighbours:
        """Those of a recording, sorted once."""
        return case.once("neighbours", lambda: Neighbours(case))

    @functools.cached_property
    def _rows(self) -> dict[str, int]:
        return {host: row for row, host in enumerate(self.case.exchange.hosts)}

    @functools.cached_property
    def _routers(self) -> set[int]:
        """Hardware addresses that send TCP segments of several hosts: whose they are is not told by them."""
        events = self.case.exchange.network
        sent = events[(events[:, N_KIND] == ORIGIN) & (events[:, N_MAC] >= 0)]
        pairs = np.unique(sent[:, [N_MAC, N_ADDRESS]], axis=0)
        macs, counts = np.unique(pairs[:, 0], return_counts=True)
        return set(macs[counts > 1].tolist())

    def about(self, address: str, kinds: tuple[int, ...], column: int = N_ADDRESS) -> Longs:
        """Events of some kinds with an address in a column, in time order."""
        events, row = self._by(column), self._rows.get(address, -2)
        first, last = np.searchsorted(events[:, column], (row, row + 1))
        return np.asarray(events[first:last][np.isin(events[first:last, N_KIND], kinds)])

    def _by(self, column: int) -> Longs:
        events = self.case.exchange.network
        return self.case.once(
            ("neighbours", column), lambda: events[np.argsort(events[:, column], kind="stable")]
        )

    @functools.cached_property
    def leases(self) -> Longs:
        """Addresses given, in time order."""
        events = self.case.exchange.network
        return np.asarray(events[(events[:, N_KIND] == LEASE_GIVEN) & (events[:, N_TARGET] >= 0)])

    def between(self, address: str, kinds: tuple[int, ...], from_ns: int, until_ns: int) -> Longs:
        """The same by whom an event is, from one time to another."""
        events = self.about(address, kinds)
        first, last = np.searchsorted(events[:, N_TIME_NS], (from_ns, until_ns + 1))
        return events[first:last]

    def seen_from(self, address: str) -> Longs:
        """Events that show an address with the hardware address of its owner."""
        events = self.about(address, (*CLAIMS, ORIGIN))
        routed = (events[:, N_KIND] == ORIGIN) & np.isin(events[:, N_MAC], list(self._routers))
        return np.asarray(events[(events[:, N_MAC] >= 0) & ~routed])

    def frames(self, events: Longs) -> tuple[Evidence, ...]:
        """Where events are in the recording."""
        place = self.case.facts.place
        return tuple(Evidence(*place(int(frame))) for frame in events[:MOST_EVIDENCE, N_FRAME])


def neighbour_patterns(ground: Ground) -> Iterator[Finding]:
    """An endpoint's address used by two hosts, or left by the one that had it."""
    if not len(ground.case.exchange.network):
        return
    neighbours = Neighbours.of(ground.case)
    yield from _shared(ground, neighbours)
    yield from _moved(ground, neighbours)


def mac_text(number: int) -> str:
    """A hardware address as RFC 7042 writes it."""
    return number.to_bytes(6, "big").hex("-").upper()


def _shared(ground: Ground, neighbours: Neighbours) -> Iterator[Finding]:
    """Two hardware addresses by turns: one change alone may be a spare part, or a spare device that took over."""
    events = neighbours.seen_from(ground.device.address)
    turns = np.flatnonzero(np.diff(events[:, N_MAC])) + 1
    if len(turns) < AT_LEAST:
        return
    heads = events[np.concatenate([[0], turns])]
    back = [k for k in range(2, len(heads)) if heads[k, N_MAC] in heads[: k - 1, N_MAC]]
    if not back:
        return
    macs = list(dict.fromkeys(heads[:, N_MAC].tolist()))
    claimed = set(events[np.isin(events[:, N_KIND], CLAIMS), N_MAC].tolist())
    text = (
        f"{ground.device.address} is used by {' and '.join(mac_text(mac) for mac in macs[:3])} by turns, "
        f"{counted(len(turns), 'change')} in all"
    )
    at = (int(heads[0, N_TIME_NS]), int(heads[-1, N_TIME_NS]))
    yield found(
        "address-shared", "fault", ground.device, text, at=at, evidence=neighbours.frames(heads),
        certainty="certain" if len(claimed & set(macs)) > 1 else "likely",
    )  # fmt: skip


def _moved(ground: Ground, neighbours: Neighbours) -> Iterator[Finding]:
    """A lease gave the device's host another address, and the old one is asked for in vain from then on."""
    address = ground.device.address
    if not len(neighbours.leases):
        return
    still, hosts = neighbours.seen_from(address), ground.case.exchange.hosts
    leases = neighbours.leases[np.isin(neighbours.leases[:, N_TARGET_MAC], still[:, N_MAC])]
    for lease in [one for one in leases if hosts[one[N_TARGET]] != address]:
        given_ns, given, mac = int(lease[N_TIME_NS]), hosts[lease[N_TARGET]], int(lease[N_TARGET_MAC])
        before = still[(still[:, N_TIME_NS] < given_ns) & (still[:, N_MAC] == mac)]
        back = still[still[:, N_TIME_NS] > given_ns, N_TIME_NS]
        asked = neighbours.about(address, (LOOKUP_ASKED,), N_TARGET)
        asked = asked[asked[:, N_TIME_NS] >= given_ns]
        asked = asked[asked[:, N_TIME_NS] < back[0]] if len(back) else asked
        if len(asked) < AT_LEAST or not len(before):
            continue
        now = neighbours.seen_from(given)
        now = now[(now[:, N_TIME_NS] >= given_ns) & (now[:, N_MAC] == mac)]
        text = (
            f"its host ({mac_text(mac)}) was given {given} at {clock(given_ns)}, and {counted(len(asked), 'look-up')} "
            f"of {address} stayed without an answer"
        )
        text += f"; it speaks as {given}" if len(now) else ""
        text += f", until the old address came back at {clock(int(back[0]))}" if len(back) else ""
        yield found(
            "address-moved", "fault", ground.device, text, at=(given_ns, int(asked[-1, N_TIME_NS])),
            evidence=neighbours.frames(np.concatenate([before[-1:], lease[None], asked[:3], now[:1]])),
            certainty="certain" if len(now) else "likely",
        )  # fmt: skip
        return


def announced(ground: Ground, from_ns: int, until_ns: int) -> Longs:
    """Announcements of the device's address in a stretch of time: its host, or its link, came up."""
    return Neighbours.of(ground.case).between(ground.device.address, (ADDRESS_ANNOUNCED,), from_ns, until_ns)


def host_answers(ground: Ground, from_ns: int, until_ns: int) -> Longs:
    """Look-ups and echoes that the device's host answered in a stretch of time."""
    return Neighbours.of(ground.case).between(ground.device.address, ANSWERS, from_ns, until_ns)
