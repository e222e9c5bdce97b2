"""A device in, the watchdog timeout that its observed polling could support out, with its parts, and advice.

Longest healthy silence + the slowest feeding master's time-out × tries + its reconnect delay, and a reserve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.feeds import feeds_of, silence_after
from mbsniff.diagnose.wording import clock, counted, duration
from mbsniff.exchange.columns import (
    ANSWERED,
    BROADCAST,
    BY_ORDER,
    E_CONNECTION,
    E_KIND,
    ORPHAN,
    PIPELINED,
    STATUS_MASK,
)
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.figures import MasterHabits
from mbsniff.measure.silences import limit_ns
from mbsniff.wire.rows import AGAIN, CLOSING, OPENING, RESET, UNRECORDED

RESERVE_PERCENT = 20  # common practice: added to what the observed polling needs
MISSED_PERIODS = (
    2.5  # a silence of more periods lacks two polls in a row: something kept the master from asking
)
MOST_TRIES = 5  # common practice: a longer run of tries is one outage, not how often a master tries
MOST_HELD = 200  # silences, the longest first, that are looked at for a healthy one
HEALTHY = (ANSWERED, BY_ORDER, PIPELINED, BROADCAST, ORPHAN)
FAULTS = (RESET, CLOSING, OPENING, AGAIN, UNRECORDED)


@dataclass(frozen=True)
class SupportedTimeout:
    """What timeout the observed polling could support, in nanoseconds; the sum of its parts."""

    healthy_ns: int
    """The longest healthy silence."""
    at_ns: int
    """When that began."""
    master: str | None
    """The feeding master that needs longest to go on when a reply fails to come; None where none ever failed."""
    wait_ns: int
    """Its time-out."""
    tries: int
    """At most MOST_TRIES."""
    reconnect_ns: int
    reserve_ns: int
    stated_ns: int | None
    """The timeout that the site states."""
    tolerable_ns: int | None
    """The longest timeout that trips, its tolerance included, before the owner's tolerable outage is over."""

    @property
    def needed_ns(self) -> int:
        """The sum."""
        return self.healthy_ns + self.wait_ns * self.tries + self.reconnect_ns + self.reserve_ns

    @property
    def is_tolerable(self) -> bool:
        """Whether the process may be without control that long, as far as the site file says."""
        return self.tolerable_ns is None or self.needed_ns <= self.tolerable_ns


def supported_timeout(case: Case, device: DeviceFigures) -> SupportedTimeout | None:
    """The timeout with its parts; None where too little was observed."""
    silence = longest_healthy(case, device) if device.regular else None
    if silence is None:
        return None
    master, wait_ns, tries, reconnect_ns = _slowest(case, device)
    before_reserve = silence.length_ns + wait_ns * tries + reconnect_ns
    tolerable, limits = device.limits.tolerable_outage_ns, device.limits
    return SupportedTimeout(
        healthy_ns=silence.length_ns,
        at_ns=silence.from_ns,
        master=master,
        wait_ns=wait_ns,
        tries=tries,
        reconnect_ns=reconnect_ns,
        reserve_ns=before_reserve * RESERVE_PERCENT // 100,
        stated_ns=limits.watchdog_ns or None,
        tolerable_ns=None if tolerable is None else int(tolerable / (1 + limits.tolerance)),
    )


def longest_healthy(case: Case, device: DeviceFigures) -> Silence | None:
    """The longest complete silence in which nothing went wrong on the device's way; None where there is none."""
    longest = device.silences.longest
    if longest is None or is_healthy(case, device, longest):
        return longest
    feeds = feeds_of(case, device)
    lengths = feeds.lengths_ns
    candidates = np.argsort(-lengths, kind="stable")
    candidates = candidates[lengths[candidates] <= _most_ns(device)][:MOST_HELD]
    silences = (silence_after(feeds, k, 0) for k in candidates.tolist())
    return next((s for s in silences if is_healthy(case, device, s)), None)


def _most_ns(device: DeviceFigures) -> int:
    """Beyond the timeout, or lacking two polls in a row, no silence is healthy."""
    most = limit_ns(device.limits) or (1 << 62)
    fastest = device.fastest_feeding_poll
    if fastest and fastest.period:
        most = min(most, int(MISSED_PERIODS * fastest.period.median))
    return most


def is_healthy(case: Case, device: DeviceFigures, silence: Silence) -> bool:
    """Whether all requests were answered in time meanwhile, the masters' connections stood, and nothing is lacking."""
    if silence.length_ns > _most_ns(device):
        return False
    own = np.array([device.index], np.int64)
    rows = case.requests_between(own, silence.from_ns, silence.until_ns)
    if not np.isin(case.exchange.status[rows] & STATUS_MASK, HEALTHY).all():
        return False
    events = case.events(device, silence.from_ns, silence.until_ns)
    events = events[np.isin(events[:, E_KIND], FAULTS)]
    return not (len(events) and _of_feeding(case, device, events).any())


def _of_feeding(case: Case, device: DeviceFigures, events: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which link events are those of masters that feed the device."""
    groups = case.figures.groups
    masters = [groups.masters.index(master) for master in feeding_masters(device)]
    of_event = groups.master_of_pair[case.exchange.connection_pair[events[:, E_CONNECTION]]]
    return np.isin(of_event, masters)


def feeding_masters(device: DeviceFigures) -> list[str]:
    """The addresses of masters whose polls feed the device's watchdog."""
    return sorted({poll.master for poll in device.polls if poll.feeds})


def _slowest(case: Case, device: DeviceFigures) -> tuple[str | None, int, int, int]:
    """(master, time-out, tries, reconnect delay) of the feeding master that goes on latest."""
    feeding = set(feeding_masters(device))
    waits = [_waits(h) for h in case.endpoint(device).habits if h.master in feeding]
    return max(waits, key=lambda w: (w[1] * w[2] + w[3], w[0] or ""), default=(None, 0, 0, 0))


def _waits(habits: MasterHabits) -> tuple[str | None, int, int, int]:
    """The same of one master; the time that it takes to reconnect counts only where it ever gave up."""
    if not habits.timeout_ns:
        return None, 0, 0, 0
    return habits.master, habits.timeout_ns, min(habits.tries or 0, MOST_TRIES), habits.reconnect_ns or 0


def timeout_advice(case: Case, supported: SupportedTimeout) -> str | None:
    """What to make of it, in sentences; None where the stated timeout is enough for it.

    Whether the process bears a timeout is never for this tool to say.
    """
    if supported.stated_ns and supported.stated_ns >= supported.needed_ns:
        return None
    parts = [f"its longest healthy silence ({duration(supported.healthy_ns)} at {clock(supported.at_ns)})"]
    if supported.master and supported.wait_ns:
        who = case.master_name(supported.master)
        parts.append(f"{counted(supported.tries, 'time-out')} of {who} ({duration(supported.wait_ns)} each)")
    if supported.reconnect_ns:
        parts.append(f"reconnecting ({duration(supported.reconnect_ns)})")
    needed = duration(supported.needed_ns)
    made_of = f"{' + '.join(parts)}, and {RESERVE_PERCENT} % reserve"
    owner = "Whether the process may be without control that long is for its owner to decide."
    if not supported.is_tolerable:
        most = duration(supported.tolerable_ns or 0)
        return (
            f"The observed polling needs {needed} ({made_of}), but the site's tolerable outage allows a timeout of "
            f"{most} at most: the polling must become faster, or go on sooner when a reply fails to come."
        )
    return f"The observed polling could support a timeout of {needed} ({made_of}). {owner}"
