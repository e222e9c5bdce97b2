"""Figures of a recording, or none, and a Site in, the Plan out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mbsniff.measure import Figures
from mbsniff.measure.groups import WRITES, address_rank
from mbsniff.plan.drafts import Draft, drafts
from mbsniff.plan.endpoint import Fitted, fit
from mbsniff.plan.fit import Limit
from mbsniff.plan.notes import notes_of, watchdog_obstacles
from mbsniff.plan.numbers import after, before, cyclic_reads
from mbsniff.plan.plan import DevicePlan, Obstacle, Plan, PlannedPoll
from mbsniff.plan.target import ANY_MASTER, Target, targets
from mbsniff.plan.wishes import Wishes, canonical_master, wishes
from mbsniff.site import Site

# How far intervals of a master that was not recorded may differ from the period (common practice: the
# task of a controller comes round every 10 ms, and a read waits for it at both ends of an interval).
ASSUMED_SPREAD_NS = 20_000_000
RESERVE = 2  # times what nine intervals in ten keep to: the others lie beyond
_MS = 1_000_000


def plan_polls(
    figures: Figures | None,
    site: Site,
    *,
    through: str | None = None,
    keep: Sequence[str] = (),
    mean_only: bool = False,
) -> Plan:
    """A poll list that reads what is wanted in the fewest reads, within what each device tolerates.

    ``figures``: of a recording, whose cyclic reads are wanted; None: only what the site's registers want. ``through``:
    the one master that is to read for all (name, group or address). ``keep``: masters whose periods no limit stretches;
    where it is empty, those that write to the device. ``mean_only``: hold the read limit against the mean over 10 s, not
    against the busiest second.
    """
    reader = None if through is None else canonical_master(site, through)
    kept = [canonical_master(site, master) for master in keep]
    found = targets(figures, site)
    wanted = [wishes(each, site, reader, kept or _writers(each)) for each in found]
    spreads = _spreads(found, wanted)
    made = [drafts(each, own) for each, own in zip(found, wanted, strict=True)]
    own_drafts = {id(each): own for each, (own, _) in zip(found, made, strict=True)}
    obstacles = [obstacle for _, own in made for obstacle in own]
    polls: list[PlannedPoll] = []
    devices: list[DevicePlan] = []
    for at_endpoint in _by_endpoint(found):
        limit = _limit(at_endpoint, mean_only)
        all_drafts = [draft for each in at_endpoint for draft in own_drafts[id(each)]]
        fitted = fit(all_drafts, at_endpoint, limit, spreads, site)
        obstacles += [fitted.obstacle] if fitted.obstacle else []
        polls += fitted.polls
        devices += [
            _device(each, at_endpoint, limit, fitted, figures, site, _spread_at(all_drafts, spreads))
            for each in at_endpoint
        ]
    obstacles += watchdog_obstacles(devices, polls, site, spreads)
    notes = notes_of(devices, polls, [own.notes for own in wanted], _assumed(found, polls))
    return Plan(sorted(polls, key=_order), devices, _joined(obstacles), notes, mean_only)


def _order(poll: PlannedPoll) -> tuple[object, ...]:
    rank = (0, 0) if poll.master == ANY_MASTER else address_rank(poll.master)
    where = (address_rank(poll.target.address), poll.target.port, poll.target.unit)
    return rank, where, poll.function, poll.first, poll.period_ns


def _writers(target: Target) -> list[str]:
    """Masters that write to the device: what they read may be part of a control loop."""
    return [poll.master for poll in target.polls if poll.function in WRITES]


def _by_endpoint(found: Sequence[Target]) -> list[tuple[Target, ...]]:
    endpoints: dict[tuple[str, int], list[Target]] = {}
    for target in found:
        endpoints.setdefault((target.address, target.port), []).append(target)
    return [tuple(members) for members in endpoints.values()]


def _limit(at_endpoint: Sequence[Target], mean_only: bool) -> Limit | None:
    """The lowest limit stated for the endpoint's units."""
    stated = [t.limits.max_reads_per_s for t in at_endpoint if t.limits.max_reads_per_s is not None]
    return Limit(min(stated), mean_only) if stated else None


def observed_spreads(found: Sequence[Target]) -> dict[str, int]:
    """By master: how far its intervals were seen to differ from their period, in nanoseconds, with a reserve.

    The median over its cyclic reads of what nine intervals in ten keep to, twice, in whole milliseconds.
    """
    seen: dict[str, list[int]] = {}
    for target in found:
        for poll in cyclic_reads(target):
            if poll.period:
                widest = max(poll.period.p95 - poll.period.median, poll.period.median - poll.period.p5)
                seen.setdefault(poll.master, []).append(widest)
    return {
        master: -(-RESERVE * sorted(all_of_it)[len(all_of_it) // 2] // _MS) * _MS
        for master, all_of_it in seen.items()
    }


def _spreads(found: Sequence[Target], wanted: Sequence[Wishes]) -> dict[str, int]:
    masters = {master for own in wanted for master in own.masters}
    return dict.fromkeys(masters, ASSUMED_SPREAD_NS) | observed_spreads(found)


def _assumed(found: Sequence[Target], polls: Sequence[PlannedPoll]) -> list[str]:
    """Masters that plan polls of and whose spread nobody saw."""
    seen = observed_spreads(found)
    return list(dict.fromkeys(poll.master for poll in polls if poll.master not in seen))


def _spread_at(all_drafts: Sequence[Draft], spreads: Mapping[str, int]) -> int:
    return max((spreads[draft.master] for draft in all_drafts), default=0)


def _device(
    target: Target,
    at_endpoint: tuple[Target, ...],
    limit: Limit | None,
    fitted: Fitted,
    figures: Figures | None,
    site: Site,
    spread_ns: int,
) -> DevicePlan:
    observed = None
    if figures and target.figures:
        recorded = [each for each in at_endpoint if each.figures]
        observed = before(target, recorded, figures.endpoints[target.figures.endpoint])
    planned = after(target, at_endpoint, fitted.polls, fitted.densest, site, spread_ns)
    return DevicePlan(target, limit, observed, planned, fitted.simulated)


def _joined(obstacles: Sequence[Obstacle]) -> list[Obstacle]:
    """What is said of several devices in the same words, said once."""
    together: dict[tuple[str, str], tuple[Target, ...]] = {}
    for each in obstacles:
        key = (each.kind, each.text)
        together[key] = (*together.get(key, ()), *each.devices)
    return [Obstacle(kind, devices, text) for (kind, text), devices in together.items()]
