"""A measured recording in, what it did not hear out: one direction of endpoints, background frames that failed."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_KIND, E_SIDE
from mbsniff.wire.rows import UNRECORDED

LEAST_MESSAGES = 3
SECOND_NS = 1_000_000_000
LEAST_GAPS = 10  # stretches between background frames, from which on they are taken to be steady
STEADY = 3  # nineteen in twenty are at most so many times as long as the middle one


@dataclass(frozen=True)
class OneDirection:
    """An endpoint to which only one side's frames were recorded, though TCP shows the other's bytes."""

    endpoint: str
    heard: Literal["masters", "devices"]
    unrecorded_bytes: int


def one_directions(case: Case) -> list[OneDirection]:
    """Endpoints without a single message of one side, whose bytes the other side acknowledges all along."""
    if not len(_lost(case)):
        return []
    asked, replied = Counter[int](), Counter[int]()
    for device in case.figures.devices:
        asked[device.endpoint] += device.requests
        replied[device.endpoint] += (
            device.answered + device.statuses["misaddressed"] + device.statuses["orphan"]
        )
    lost = _lost_bytes(case)
    found = []
    for number, endpoint in enumerate(case.figures.endpoints):
        by_client, by_server = lost[endpoint.address, endpoint.port]
        if asked[number] >= LEAST_MESSAGES and not replied[number] and by_server:
            found.append(OneDirection(endpoint.key, "masters", by_server))
        elif replied[number] >= LEAST_MESSAGES and not asked[number] and by_client:
            found.append(OneDirection(endpoint.key, "devices", by_client))
    return found


def _lost(case: Case) -> NDArray[np.int64]:
    events = case.exchange.events
    return np.asarray(events[events[:, E_KIND] == UNRECORDED])


def _lost_bytes(case: Case) -> dict[tuple[str, int], tuple[int, int]]:
    """By endpoint: unrecorded bytes of its clients and of itself."""
    pairs, events = case.exchange.pairs, _lost(case)
    sums = np.zeros((len(pairs), 2), np.int64)
    owners = case.exchange.connection_pair[events[:, E_CONNECTION]]
    np.add.at(sums, (owners, events[:, E_SIDE]), events[:, E_AMOUNT])  # sides: CLIENT, SERVER
    found: dict[tuple[str, int], tuple[int, int]] = defaultdict(lambda: (0, 0))
    for pair, (by_client, by_server) in zip(pairs, sums.tolist(), strict=True):
        before = found[pair.server, pair.port]
        found[pair.server, pair.port] = (before[0] + by_client, before[1] + by_server)
    return found


@dataclass(frozen=True)
class Background:
    """Frames to groups of hosts, which bridges and hosts send whatever else goes on."""

    usual_gap_ns: int
    """Nineteen in twenty of the stretches between seconds that have any are no longer."""
    longest_gap_ns: int

    def explains(self, blank_ns: int) -> bool:
        """Whether a stretch without any frame is no longer than usual between them: the mirror port was alive."""
        return blank_ns <= self.usual_gap_ns + SECOND_NS


def background_of(case: Case) -> Background | None:
    """The recording's background frames, None where there are too few of them, or none come steadily."""
    return case.once("background", lambda: _background(case))


def _background(case: Case) -> Background | None:
    gaps = np.sort(np.diff(case.exchange.broadcasts[:, 0]))
    if len(gaps) < LEAST_GAPS:
        return None
    usual, middle = int(gaps[-(len(gaps) // 20) - 1]), int(gaps[len(gaps) // 2])
    return Background(usual, int(gaps[-1])) if usual <= STEADY * middle else None
