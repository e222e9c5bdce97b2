"""Findings about due watchdogs in, which of them belong together out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.timeouts import feeding_masters
from mbsniff.diagnose.watchdog import TOO_SLOWLY
from mbsniff.measure import DeviceFigures

TOGETHER_PERIODS = (
    1.5  # last feeds that lie within so many polling periods: what stopped them came at one moment
)
STARVED = "starved-by-neighbour"
OF_MASTERS = frozenset({"master-stopped", "master-not-heard", "poll-dropped", "connection-ended", STARVED})
OF_THE_PATH = frozenset({"device-unreachable", "path-event"})
OF_ONE_DEVICE = frozenset({
    "device-unreachable", "device-stalled", "device-slow", "device-saturated", "replies-late", "target-dead",
    "flow-dead", "device-restarted", "connect-refused", "address-conflict", "address-moved", "connection-ended",
})  # fmt: skip
WEAK = frozenset({"none-seen"})  # says nothing that would speak against belonging to another's cause
FIRST = ("path-event", "master-stopped", "master-not-heard")  # these explain the others of their kind


@dataclass(frozen=True)
class Part:
    """One finding about a silence, with what it is grouped by."""

    place: int
    """Of the finding in the list."""
    finding: Finding
    device: DeviceFigures
    masters: tuple[str, ...]
    from_ns: int
    until_ns: int
    together_ns: int
    """How much later another silence may begin and still have begun together with this one."""


def parts_of(case: Case, findings: list[Finding]) -> list[Part]:
    """Those about one silence each, in time order; polling that is always too slow is no incident."""
    devices = {device.key: device for device in case.figures.devices}
    made = []
    for place, finding in enumerate(findings):
        if finding.code != "watchdog-due" or finding.cause in (None, TOO_SLOWLY) or finding.from_ns is None:
            continue
        device = devices[finding.device or ""]
        fastest = device.fastest_feeding_poll
        pace = fastest.period.median if fastest and fastest.period else (device.limits.watchdog_ns or 0) // 2
        until_ns = finding.until_ns if finding.until_ns is not None else finding.from_ns
        together_ns = round(TOGETHER_PERIODS * pace)
        masters = tuple(feeding_masters(device))
        made.append(Part(place, finding, device, masters, finding.from_ns, until_ns, together_ns))
    return sorted(made, key=lambda part: (part.from_ns, part.place))


def grouped(parts: list[Part]) -> list[list[Part]]:
    """What belongs together, each group in time order."""
    belongs = list(range(len(parts)))

    def root(k: int) -> int:
        while belongs[k] != k:
            belongs[k] = belongs[belongs[k]]
            k = belongs[k]
        return k

    for a, b in (*_begun_together(parts), *_went_on(parts), *_starved(parts)):
        low, high = sorted((root(a), root(b)))
        belongs[high] = low
    groups: dict[int, list[Part]] = defaultdict(list)
    for k, part in enumerate(parts):
        groups[root(k)].append(part)
    return list(groups.values())


def _keys(part: Part) -> Iterator[tuple[str, str]]:
    """Silences that begin together belong together where they share one of these."""
    code = part.finding.cause or ""
    if code in OF_MASTERS | WEAK:
        yield from (("master", master) for master in part.masters)
    else:
        yield ("path", "") if code in OF_THE_PATH else ("cause", code)


def _begun_together(parts: list[Part]) -> Iterator[tuple[int, int]]:
    """Pairs with one cause, path or master whose last feeds lie within a polling period."""
    begun: dict[tuple[str, str], int] = {}
    for k, part in enumerate(parts):
        for key in _keys(part):
            first = begun.setdefault(key, k)
            reach_ns = max(part.together_ns, parts[first].together_ns)
            if part.from_ns - parts[first].from_ns > reach_ns:
                begun[key] = k
            elif first != k:
                yield first, k


def _went_on(parts: list[Part]) -> Iterator[tuple[int, int]]:
    """Pairs of one device of which the later begins where the earlier ends, with nothing that tells them apart."""
    last: dict[int, int] = {}
    for k, part in enumerate(parts):
        before = last.get(part.device.index)
        if before is not None:
            causes = {part.finding.cause or "", parts[before].finding.cause or ""}
            if part.from_ns <= parts[before].until_ns and len(causes - WEAK) < 2:
                yield before, k
        last[part.device.index] = k


def _starved(parts: list[Part]) -> Iterator[tuple[int, int]]:
    """Pairs of a device that a master kept waiting for, and one that was starved by it meanwhile."""
    waited_for: dict[str, list[int]] = defaultdict(list)
    for k, part in enumerate(parts):
        if part.finding.cause in OF_ONE_DEVICE:
            for master in part.device.masters:
                waited_for[master].append(k)
    for k, part in enumerate(parts):
        if part.finding.cause == STARVED:
            dead = (n for master in part.masters for n in waited_for[master])
            meanwhile = (
                n for n in dead if parts[n].from_ns < part.until_ns and part.from_ns < parts[n].until_ns
            )
            first = next(meanwhile, None)
            if first is not None:
                yield first, k


def rank(part: Part) -> tuple[bool, bool, int, int, int]:
    """The first cause first: what is no consequence and known, then what explains others, then the earliest."""
    code = part.finding.cause or ""
    explains = FIRST.index(code) if code in FIRST else len(FIRST)
    return code in WEAK, code == STARVED, explains, part.from_ns, part.place
