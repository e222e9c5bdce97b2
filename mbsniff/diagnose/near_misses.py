"""A measured recording in, how often each device's watchdog was nearly due, when, and why, out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.causes import Cause, cause_of
from mbsniff.diagnose.causes.verdict import GAP
from mbsniff.diagnose.feeds import between_confirmed, feeds_of, silence_after
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.scene import extent
from mbsniff.diagnose.timeouts import MISSED_PERIODS
from mbsniff.diagnose.watchdog import beyond_timeout
from mbsniff.diagnose.wording import clock, counted, duration
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.fed import Feeds

HALF, FIFTH = (
    2,
    5,
)  # within 50 % of the timeout: more than half of it passed; within 20 %: more than four fifths
WORST = 3  # near misses of a device that are told one by one, with their causes
MOST_EXPLAINED = 300  # near misses of all devices whose causes are looked for, the nearest first
MOST_AROUND = 2_000  # feeds before and after that are looked at for a master's own
CAUSELESS = frozenset({"none-seen"})


@dataclass(frozen=True)
class NearMiss:
    """A silence that took most of the timeout."""

    silence: Silence
    share: float
    """Of the timeout; above 1 where only the tolerance kept it from being due."""
    cause: Cause | None
    """None where it was not looked for, where the recording shows none, or where ``silent_master`` says why."""
    silent_master: str | None = None
    """Address of a feeding master whose own polls were missing, so that only another's kept the watchdog fed."""


@dataclass(frozen=True)
class NearMisses:
    """How near a device's watchdog came to being due, without being it."""

    device: str
    timeout_ns: int
    silences: int
    """All complete ones."""
    within_half: int
    """Silences of more than half of the timeout."""
    within_fifth: int
    """Those of more than four fifths of it."""
    usual_ns: int
    """The median silence."""
    worst: tuple[NearMiss, ...]
    """The longest ones, in time order."""

    @property
    def is_usual(self) -> bool:
        """Whether most silences are so long: that is the polling itself."""
        return HALF * self.usual_ns > self.timeout_ns


@dataclass(frozen=True)
class _Near:
    device: DeviceFigures
    feeds: Feeds
    places: NDArray[np.int64]
    """Of the silences of more than half of the timeout, the longest first."""


def near_misses(case: Case) -> dict[str, NearMisses]:
    """By device's key, of each device that is judged and had any."""
    near = [each for device in case.figures.devices if (each := _near(case, device))]
    explained = _to_explain(near)
    return {each.device.key: _told(case, each, explained) for each in near}


def _near(case: Case, device: DeviceFigures) -> _Near | None:
    timeout, longest = device.limits.watchdog_ns, device.silences.longest
    if not timeout or not device.regular or longest is None or HALF * longest.length_ns <= timeout:
        return None
    feeds = feeds_of(case, device)
    lengths = feeds.lengths_ns
    is_near = HALF * lengths > timeout
    for silence in beyond_timeout(device):
        is_near[between_confirmed(feeds, *extent(silence))] = False
    places = np.flatnonzero(is_near)
    return _Near(device, feeds, places[np.argsort(-lengths[places], kind="stable")]) if len(places) else None


def _to_explain(near: list[_Near]) -> set[tuple[int, int]]:
    """(device, place) of the near misses whose causes are looked for; usual ones need none."""
    ranked = []
    for each in near:
        timeout, lengths = each.device.limits.watchdog_ns or 1, each.feeds.lengths_ns
        if HALF * int(np.median(lengths)) <= timeout:
            ranked += [
                (-int(lengths[k]) / timeout, each.device.index, k) for k in each.places[:WORST].tolist()
            ]
    return {(device, k) for _, device, k in sorted(ranked)[:MOST_EXPLAINED]}


def _told(case: Case, near: _Near, explained: set[tuple[int, int]]) -> NearMisses:
    timeout, lengths = near.device.limits.watchdog_ns or 1, near.feeds.lengths_ns
    worst = []
    for k in sorted(near.places[:WORST].tolist()):
        silence = silence_after(near.feeds, k, timeout // HALF)
        is_explained = (near.device.index, k) in explained
        cause = cause_of(case, near.device, silence, timeout // HALF) if is_explained else None
        known = cause if cause and cause.code not in CAUSELESS else None
        master = None if known and known.code == GAP else _silent_master(case, near, k)
        worst.append(NearMiss(silence, silence.length_ns / timeout, None if master else known, master))
    return NearMisses(
        device=near.device.key,
        timeout_ns=timeout,
        silences=len(lengths),
        within_half=len(near.places),
        within_fifth=int((FIFTH * lengths[near.places] > (FIFTH - 1) * timeout).sum()),
        usual_ns=int(np.median(lengths)),
        worst=tuple(worst),
    )


def _silent_master(case: Case, near: _Near, k: int) -> str | None:
    """The feeding master that lacked most of its own cyclic polls around the silence after feed ``k``, if one did."""
    periods: dict[str, int] = {}
    for poll in near.device.polls:
        if poll.feeds and poll.kind == "cyclic" and poll.period:
            periods[poll.master] = min(periods.get(poll.master, poll.period.median), poll.period.median)
    if len(periods) < 2:
        return None
    begin = max(k - MOST_AROUND, 0)
    rows = near.feeds.rows[begin : k + MOST_AROUND]
    times = near.feeds.first_ns[begin : k + MOST_AROUND]
    owners = case.figures.groups.master_of_poll[case.exchange.poll[rows]]
    lacking: list[tuple[float, str]] = []
    for master, period_ns in periods.items():
        own = times[owners == case.figures.groups.masters.index(master)]
        place = int(np.searchsorted(own, near.feeds.first_ns[k], side="right"))
        before_ns = own[place - 1] if place else times[0]
        after_ns = own[place] if place < len(own) else times[-1]
        lacking.append((float((after_ns - before_ns) / max(period_ns, 1)), master))
    most, master = max(lacking)
    return master if most > MISSED_PERIODS else None


def near_miss_findings(case: Case, misses: dict[str, NearMisses]) -> Iterator[Finding]:
    """A remark for each device; none where the polling itself is so slow, which `watchdog-close` tells."""
    for device in case.figures.devices:
        near = misses.get(device.key)
        if near is None or near.is_usual:
            continue
        fifth = f", {_times(near.within_fifth)} within 20 %" if near.within_fifth else ""
        which = ", the worst" if near.within_half > len(near.worst) else ""
        text = (
            f"came within 50 % of its timeout ({duration(near.timeout_ns)}) {_times(near.within_half)}{fifth}{which}: "
            f"{_listed(case, near.worst)}"
        )
        silences = [miss.silence for miss in near.worst]
        rows = dict.fromkeys(row for s in silences for row in (s.before, s.after) if row is not None)
        gap = next((miss.cause for miss in near.worst if miss.cause and miss.cause.code == GAP), None)
        yield found(
            "near-misses", "remark", device, text, at=(silences[0].from_ns, silences[-1].until_ns),
            certainty="open" if gap else "certain", evidence=case.request_frames(rows),
            advice=gap.advice if gap else None,
        )  # fmt: skip


def _times(count: int) -> str:
    return "once" if count == 1 else counted(count, "time")


def _listed(case: Case, worst: tuple[NearMiss, ...]) -> str:
    """Near misses that have one cause stand together with it."""
    by_cause: dict[str, list[str]] = {}
    for miss in worst:
        length = f"{duration(miss.silence.length_ns)} from {clock(miss.silence.from_ns)} ({miss.share:.0%})"
        by_cause.setdefault(_why(case, miss), []).append(length)
    return "; ".join(", ".join(lengths) + why for why, lengths in by_cause.items())


def _why(case: Case, miss: NearMiss) -> str:
    if miss.silent_master:
        return (
            f": {case.master_name(miss.silent_master)} did not ask it meanwhile, others' requests kept it fed"
        )
    return f": {miss.cause.code} ({miss.cause.certainty})" if miss.cause else ""
