"""The drafts of one endpoint and its limit in, its planned polls out, and which limit stands in a wish's way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from mbsniff.diagnose.wording import duration, listed
from mbsniff.plan.drafts import Draft
from mbsniff.plan.fit import Limit, Load, slowed
from mbsniff.plan.plan import Obstacle, PlannedPoll
from mbsniff.plan.schedule import Schedule
from mbsniff.plan.target import Target
from mbsniff.plan.wishes import master_label
from mbsniff.site import Site


@dataclass(frozen=True)
class Fitted:
    """An endpoint's part of the plan."""

    polls: list[PlannedPoll]
    densest: tuple[int, int]
    """Most reads in a second and in 10 s, over all masters, however their clocks stand to each other."""
    simulated: bool
    obstacle: Obstacle | None


@dataclass(frozen=True)
class _Choice:
    """How the endpoint's polls are made slower, if at all."""

    loads: list[Load]
    limit: Limit
    why: str


def fit(
    own: Sequence[Draft],
    at_endpoint: tuple[Target, ...],
    limit: Limit | None,
    spreads_ns: Mapping[str, int],
    site: Site,
) -> Fitted:
    """Give the drafts their beginnings, and longer periods where the limit needs them."""
    by_master: dict[str, list[Draft]] = {}
    for draft in own:
        by_master.setdefault(draft.master, []).append(draft)
    wished = [_load(master, drafts, spreads_ns[master]) for master, drafts in by_master.items()]
    chosen, obstacle = wished, None
    if limit is not None and not limit.kept(wished):
        choice = _choose(wished, [_all_movable(*each) for each in by_master.items()], limit)
        chosen = choice.loads
        obstacle = Obstacle("reads per second", at_endpoint, _told(wished, choice, limit, site))
    schedules = [load.schedule() for load in chosen]
    polls = [
        poll
        for drafts, load, schedule in zip(by_master.values(), chosen, schedules, strict=True)
        for poll in _polls(drafts, load, schedule, site)
    ]
    densest = (sum(s.second for s in schedules), sum(s.ten_seconds for s in schedules))
    return Fitted(polls, densest, all(s.simulated for s in schedules), obstacle)


def _load(master: str, drafts: Sequence[Draft], spread_ns: int) -> Load:
    periods = tuple(draft.block.period_ns for draft in drafts)
    return Load(master, periods, tuple(draft.movable for draft in drafts), spread_ns)


def _all_movable(master: str, drafts: Sequence[Draft]) -> tuple[bool, ...]:
    return tuple(not draft.fixed for draft in drafts)


def _choose(wished: list[Load], all_movable: list[tuple[bool, ...]], limit: Limit) -> _Choice:
    """The smallest change that does: first of masters that do not write, then of all, then by the mean only."""
    everyone = [replace(load, movable=movable) for load, movable in zip(wished, all_movable, strict=True)]
    by_mean = replace(limit, mean_only=True)
    tries = (
        (wished, limit, ""),
        (everyone, limit, "the reads of masters that write cannot stay as they are"),
        (wished, by_mean, "no period keeps the busiest second within it, so only the mean over 10 s is held"),
        (
            everyone,
            by_mean,
            "no period keeps the busiest second within it, so only the mean over 10 s is held",
        ),
    )
    for loads, held, why in tries:
        slower = slowed(loads, held)
        if slower is not None:
            return _Choice(slower, held, why)
    return _Choice(wished, limit, "no period would do; the periods are left as wished")


def _told(wished: list[Load], choice: _Choice, limit: Limit, site: Site) -> str:
    shares = [f"{master_label(site, load.master)} {load.schedule().second}" for load in wished]
    second = sum(load.schedule().second for load in wished)
    ten = sum(load.schedule().ten_seconds for load in wished)
    mean = sum(load.reads_per_s for load in wished)
    text = (
        f"tolerates {limit.reads_per_s:g} reads/s; as wished it would be {mean:.3g} in the mean, up to {ten} in "
        f"10 s, and up to {second} in a second ({listed(shares)})"
    )
    text += f"; {choice.why}" if choice.why else ""
    changes = _changes(wished, choice.loads, site)
    text += f". Nearest feasible: {'; '.join(changes)}" if changes else ""
    if not choice.limit.mean_only:
        text += _by_mean_alone(wished, choice, limit, site)
    return text


def _changes(wished: list[Load], chosen: list[Load], site: Site) -> list[str]:
    """Which periods get longer, by master."""
    told = []
    for before, after in zip(wished, chosen, strict=True):
        pairs = dict.fromkeys(zip(before.periods_ns, after.periods_ns, strict=True))
        changed = [f"{duration(old)} → {duration(new)}" for old, new in sorted(pairs) if new != old]
        if changed:
            told.append(f"{master_label(site, before.master)} {listed(changed)}")
    return told


def _by_mean_alone(wished: list[Load], choice: _Choice, limit: Limit, site: Site) -> str:
    """What would do if a dense second now and then were all right."""
    by_mean = replace(limit, mean_only=True)
    slower = slowed(wished, by_mean)
    if slower is None or [load.periods_ns for load in slower] == [load.periods_ns for load in choice.loads]:
        return ""
    changes = "; ".join(_changes(wished, slower, site)) or "all periods as wished"
    second = sum(load.schedule().second for load in slower)
    return f". For the mean over 10 s alone (--mean-only): {changes}, with up to {second} in a second"


def _polls(drafts: Sequence[Draft], load: Load, schedule: Schedule, site: Site) -> list[PlannedPoll]:
    return [
        PlannedPoll(
            master=draft.master,
            master_name=site.name_of_master(draft.master),
            target=draft.target,
            function=draft.function,
            first=draft.block.first,
            count=draft.block.count,
            period_ns=period_ns,
            wanted_ns=draft.block.period_ns,
            offset_ns=offset_ns,
            wanted_count=draft.block.wanted,
            fixed=draft.fixed,
        )
        for draft, period_ns, offset_ns in zip(drafts, load.periods_ns, schedule.offsets_ns, strict=True)
    ]
