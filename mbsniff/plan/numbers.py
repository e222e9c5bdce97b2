"""A device's polls, observed or planned, in, what they come to out: rates, blocks, spare polls, busy share."""

from __future__ import annotations

from collections.abc import Sequence

from mbsniff.diagnose.load import REGISTER_READS
from mbsniff.diagnose.watchdog import spare_polls
from mbsniff.measure import PollFigures
from mbsniff.measure.figures import Endpoint
from mbsniff.measure.groups import READS
from mbsniff.measure.load import SECOND_NS
from mbsniff.plan.plan import Numbers, PlannedPoll
from mbsniff.plan.target import Target
from mbsniff.plan.wishes import BLOCK_FUNCTIONS
from mbsniff.site import FedBy, Site

Read = tuple[int, int, int]
"""Function, quantity, period in nanoseconds."""


def before(target: Target, at_endpoint: Sequence[Target], endpoint: Endpoint) -> Numbers:
    """What was observed; rates are those of the cyclic reads, whether they went on all the time or not."""
    assert target.figures is not None
    return _numbers(
        _observed(target),
        [read for each in at_endpoint for read in _observed(each)],
        at_endpoint,
        spare_polls(target.figures),
        (endpoint.load.second.reads, endpoint.load.ten_seconds.reads),
    )


def after(
    target: Target,
    at_endpoint: Sequence[Target],
    planned: Sequence[PlannedPoll],
    densest: tuple[int, int],
    site: Site,
    spread_ns: int,
) -> Numbers:
    """What the plan comes to; ``planned``: all of the endpoint; ``densest``: reads in a second and in 10 s."""
    reads = {each: _planned(each, planned) for each in at_endpoint}
    own = [poll for poll in planned if poll.target is target]
    return _numbers(
        reads[target],
        [read for each in at_endpoint for read in reads[each]],
        at_endpoint,
        _spare_after(target, own, site, spread_ns),
        densest,
    )


def _numbers(
    own: list[Read],
    all_reads: list[Read],
    at_endpoint: Sequence[Target],
    spare: int | None,
    densest: tuple[int, int],
) -> Numbers:
    requests_per_s = _rate(all_reads) + sum(_writes_per_s(each) for each in at_endpoint)
    busy = [_busy(requests_per_s, at_endpoint, quantile) for quantile in ("median", "p95")]
    blocks = [quantity for function, quantity, _ in own if function in REGISTER_READS]
    return Numbers(
        polls=len(own),
        reads_per_s=_rate(own),
        registers_per_s=sum(
            quantity * SECOND_NS / period for function, quantity, period in own if function in REGISTER_READS
        ),
        largest_block=max(blocks, default=None),
        spare_polls=spare,
        second=densest[0],
        ten_seconds=densest[1],
        busy_share=busy[0],
        busy_share_p95=busy[1],
    )


def _rate(reads: Sequence[Read]) -> float:
    return sum(SECOND_NS / period for _, _, period in reads)


def cyclic_reads(target: Target) -> list[PollFigures]:
    """The device's cyclic reads in the recording."""
    return [p for p in target.polls if p.function in READS and p.kind == "cyclic" and p.period]


def _observed(target: Target) -> list[Read]:
    return [(p.function, p.quantity or 0, max(p.period.median, 1)) for p in cyclic_reads(target) if p.period]


def _planned(target: Target, planned: Sequence[PlannedPoll]) -> list[Read]:
    return [(p.function, p.count, p.period_ns) for p in planned if p.target is target]


def _writes_per_s(target: Target) -> float:
    """Requests a second that are no reads, over the recording: a plan leaves them as they are."""
    figures = target.figures
    if figures is None or figures.first_ns is None or figures.last_ns is None:
        return 0.0
    span_ns = figures.last_ns - figures.first_ns
    writes = sum(poll.count for poll in figures.polls if poll.function not in READS)
    return writes * SECOND_NS / span_ns if span_ns > 0 else 0.0


def _busy(requests_per_s: float, at_endpoint: Sequence[Target], quantile: str) -> float | None:
    """Requests a second × the longest service time of the endpoint's units."""
    services = [t.figures.service for t in at_endpoint if t.figures and t.figures.service]
    if not services:
        return None
    longest_ns: int = max(getattr(service, quantile) for service in services)
    return requests_per_s * longest_ns / SECOND_NS


def _spare_after(target: Target, own: Sequence[PlannedPoll], site: Site, spread_ns: int) -> int | None:
    """Spare polls, the longest silence being a period of the fastest feeding poll and its spread."""
    watchdog_ns = target.limits.watchdog_ns
    periods = feeding_periods(target, own, site)
    if not watchdog_ns or not periods:
        return None
    return max((watchdog_ns - min(periods) - spread_ns) // min(periods), 0)


def feeding_periods(target: Target, own: Sequence[PlannedPoll], site: Site) -> list[int]:
    """Periods of what will feed the device's watchdog: planned blocks, and what stays as it is, such as writes."""
    stay = [
        p.period.median
        for p in target.polls
        if p.feeds and p.kind == "cyclic" and p.period and p.function not in BLOCK_FUNCTIONS
    ]
    fed_by = target.limits.fed_by
    return stay + [poll.period_ns for poll in own if not poll.fixed and _feeds(poll, fed_by, site)]


def _feeds(poll: PlannedPoll, fed_by: FedBy, site: Site) -> bool:
    if fed_by.kind == "write":
        return False
    if fed_by.master is not None and poll.master not in site.addresses_of_master(fed_by.master):
        return False
    last = poll.first + poll.count - 1
    return not fed_by.ranges or any(low <= last and poll.first <= high for low, high in fed_by.ranges)
