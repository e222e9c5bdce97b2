"""Figures of a recording, or none, and a Site in, the Plan out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from mbsniff.measure import Figures
from mbsniff.measure.groups import WRITES, address_rank
from mbsniff.plan.drafts import Draft, drafts
from mbsniff.plan.endpoint import Fitted, fit
from mbsniff.plan.fit import Limit
from mbsniff.plan.notes import notes_of, watchdog_obstacles
from mbsniff.plan.numbers import after, before
from mbsniff.plan.plan import DevicePlan, Obstacle, Plan, PlannedPoll
from mbsniff.plan.spreads import observed_spreads, spreads
from mbsniff.plan.target import ANY_MASTER, Target, targets
from mbsniff.plan.wishes import canonical_master, master_label, wishes
from mbsniff.site import Site


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
    where it is empty, those that write to the device. ``mean_only``: hold the read limit against the mean over 10 s,
    not against the busiest second.
    """
    reader = None if through is None else canonical_master(site, through)
    kept = [canonical_master(site, master) for master in keep]
    found = targets(figures, site)
    writers = _writers(found)
    wanted = [wishes(each, site, reader, kept or writers[each.address, each.port]) for each in found]
    spread_of = spreads(found, [master for own in wanted for master in own.masters])
    made = [drafts(each, own) for each, own in zip(found, wanted, strict=True)]
    own_drafts = {each: own for each, (own, _) in zip(found, made, strict=True)}
    obstacles = [obstacle for _, own in made for obstacle in own]
    polls: list[PlannedPoll] = []
    devices: list[DevicePlan] = []
    for at_endpoint in _by_endpoint(found):
        limit = _limit(at_endpoint, mean_only)
        all_drafts = [draft for each in at_endpoint for draft in own_drafts[each]]
        fitted = fit(all_drafts, at_endpoint, limit, spread_of, site)
        obstacles += [fitted.obstacle] if fitted.obstacle else []
        polls += fitted.polls
        devices += [
            _device(each, at_endpoint, limit, fitted, figures, site, _spread_at(all_drafts, spread_of))
            for each in at_endpoint
        ]
    obstacles += watchdog_obstacles(devices, polls, site, spread_of)
    seen = observed_spreads(found)
    assumed = [master_label(site, p.master) for p in polls if p.master not in seen]
    notes = notes_of(devices, polls, [own.notes for own in wanted], list(dict.fromkeys(assumed)))
    return Plan(sorted(polls, key=_order), devices, _joined(obstacles), notes, mean_only)


def _order(poll: PlannedPoll) -> tuple[object, ...]:
    rank = (0, 0) if poll.master == ANY_MASTER else address_rank(poll.master)
    where = (address_rank(poll.target.address), poll.target.port, poll.target.unit)
    return rank, where, poll.function, poll.first, poll.period_ns


def _writers(found: Sequence[Target]) -> defaultdict[tuple[str, int], set[str]]:
    """By endpoint: masters that write there, so that what they read may be part of a control loop."""
    writers: defaultdict[tuple[str, int], set[str]] = defaultdict(set)
    for target in found:
        writers[target.address, target.port] |= {p.master for p in target.polls if p.function in WRITES}
    return writers


def _by_endpoint(found: Sequence[Target]) -> list[tuple[Target, ...]]:
    endpoints: dict[tuple[str, int], list[Target]] = {}
    for target in found:
        endpoints.setdefault((target.address, target.port), []).append(target)
    return [tuple(members) for members in endpoints.values()]


def _limit(at_endpoint: Sequence[Target], mean_only: bool) -> Limit | None:
    """The lowest limit stated for the endpoint's units."""
    stated = [t.limits.max_reads_per_s for t in at_endpoint if t.limits.max_reads_per_s is not None]
    return Limit(min(stated), mean_only) if stated else None


def _spread_at(all_drafts: Sequence[Draft], spread_of: Mapping[str, int]) -> int:
    return max((spread_of[draft.master] for draft in all_drafts), default=0)


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
