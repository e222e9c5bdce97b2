"""An Exchange, the recording's facts and a Site in, all Figures out."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange, RecordingFacts
from mbsniff.exchange.columns import (
    P_COUNT,
    P_FIRST_NS,
    P_LAST_NS,
)
from mbsniff.measure.figures import (
    DeviceFigures,
    Endpoint,
    Figures,
    Load,
    MasterHabits,
    PollFigures,
    Quantiles,
)
from mbsniff.measure.groups import BLOCK_READS, Group, Groups, group, is_orphan
from mbsniff.measure.habits import LinksByPair, master_habits
from mbsniff.measure.load import loads, reading_polls
from mbsniff.measure.polls import poll_figures
from mbsniff.measure.quantiles import quantiles
from mbsniff.measure.silences import feeding_polls, silences
from mbsniff.measure.transactions import service_times, take
from mbsniff.measure.vantage import vantage
from mbsniff.site import Limits, Site

LEAST_REQUESTS = 10  # for a device without a cyclic poll to count as regularly polled


def measure(exchange: Exchange, facts: RecordingFacts, site: Site, *, compiled: bool) -> Figures:
    """Measure everything; ``compiled`` picks the loops' way."""
    groups = group(exchange, site, compiled=compiled)
    where, handshakes = vantage(exchange)
    by_endpoint = _devices_by_endpoint(groups)
    links = LinksByPair(exchange)
    endpoints: list[Endpoint] = []
    devices: list[DeviceFigures] = []
    sizes = [_size(groups, members) for members in by_endpoint.values()]
    scratch = np.empty((2, max(sizes, default=0)), np.int64)
    for (address, port), members in by_endpoint.items():
        order = _endpoint_order(groups, members)
        polls = [row for device in members for row in groups.polls_of_device[device]]
        load, by_master = loads(groups, order, reading_polls(groups, polls), scratch, compiled=compiled)
        services = service_times(groups, members, order, scratch, compiled=compiled)
        own = []
        for device, service in zip(members, services, strict=True):
            one = _Device(groups, device, len(endpoints), site, facts, compiled)
            own.append(one.figures(load if len(members) == 1 else None, service, scratch))
        missed = any(one.statuses["unanswered"] or one.statuses["late"] for one in own)
        habits = _habits(groups, polls, order if missed else None, links)
        endpoints.append(Endpoint(address, port, load, by_master, habits))
        devices += own
    return Figures(
        span_ns=facts.span_ns,
        devices=devices,
        endpoints=endpoints,
        vantage=where,
        handshakes=handshakes,
        exceptions_by_poll=_exceptions_by_poll(exchange),
        groups=groups,
    )


def _devices_by_endpoint(groups: Groups) -> dict[tuple[str, int], list[int]]:
    found: dict[tuple[str, int], list[int]] = {}
    for index, device in enumerate(groups.devices):
        found.setdefault((device.address, device.port), []).append(index)
    return found


def _size(groups: Groups, members: list[int]) -> int:
    """How many transactions an endpoint has; its devices lie side by side in ``groups.order``."""
    return int(groups.bounds[members[-1] + 1] - groups.bounds[members[0]])


def _endpoint_order(groups: Groups, members: list[int]) -> NDArray[np.int32]:
    """All transactions of an endpoint in time order."""
    whole = groups.order[groups.bounds[members[0]] : groups.bounds[members[-1] + 1]]
    if len(members) == 1:
        return whole
    return whole[np.argsort(groups.exchange.request_ns[whole], kind="stable")]


def _habits(
    groups: Groups, polls: list[int], order: NDArray[np.int32] | None, links: LinksByPair
) -> list[MasterHabits]:
    """How each client of an endpoint behaves; ``polls`` are all of the endpoint's, ``order`` as there."""
    requests: Counter[int] = Counter()
    for row, count in zip(polls, groups.exchange.polls[polls, P_COUNT].tolist(), strict=True):
        if not is_orphan(groups.keys[row]):
            requests[groups.keys[row].pair] += count
    return [master_habits(groups, pair, count, order, links) for pair, count in sorted(requests.items())]


def _exceptions_by_poll(exchange: Exchange) -> dict[int, dict[int, int]]:
    rows = np.flatnonzero(exchange.exception != 0)  # of booleans it is several times as quick
    found: dict[int, dict[int, int]] = {}
    pairs = zip(exchange.poll[rows].tolist(), exchange.exception[rows].tolist(), strict=True)
    for (poll, code), count in Counter(pairs).items():
        found.setdefault(poll, {})[code] = count
    return found


class _Device:
    """Measures one device."""

    def __init__(
        self, groups: Groups, device: int, endpoint: int, site: Site, facts: RecordingFacts, compiled: bool
    ) -> None:
        self.groups = groups
        self.device = device
        self.endpoint = endpoint
        self.site = site
        self.facts = facts
        self.compiled = compiled
        self.group: Group = groups.devices[device]
        self.rows = groups.polls_of_device[device]
        self.requests = [row for row in self.rows if not is_orphan(groups.keys[row])]
        self.counts: list[int] = groups.exchange.polls[self.requests, P_COUNT].tolist()
        declared = self.group.declared
        self.limits: Limits = declared.limits if declared else site.defaults

    def figures(
        self, load: Load | None, service: Quantiles | None, scratch: NDArray[np.int64]
    ) -> DeviceFigures:
        """All figures; ``load`` is the endpoint's where the device is its only one."""
        groups, limits, compiled = self.groups, self.limits, self.compiled
        feeds = feeding_polls(groups, self.site, self.device, limits)
        taken = take(groups, self.device, scratch, compiled=compiled)
        reply = quantiles(taken.replies_ns, compiled=compiled)
        polls = poll_figures(groups, self.device, feeds, taken, scratch[0], compiled=compiled)
        reads = reading_polls(groups, self.rows)
        times = self._extent()
        requests = sum(self.counts)
        masters = sorted(set(groups.master_of_poll[self.requests].tolist()))
        if load is None:
            load, _ = loads(groups, groups.transactions(self.device), reads, scratch, compiled=compiled)
        span = (self.facts.starts_ns or 0, self.facts.ends_ns or 0)
        own, of_masters = silences(groups, self.device, limits, feeds, *span, scratch[0], compiled=compiled)
        return DeviceFigures(
            address=self.group.address,
            port=self.group.port,
            units=self.group.units,
            name=self.group.declared.name if self.group.declared else None,
            limits=limits,
            index=self.device,
            endpoint=self.endpoint,
            masters=[groups.masters[master] for master in masters],
            regular=self._is_regular(polls, requests, *times),
            requests=requests,
            statuses=taken.statuses,
            answered=taken.answered,
            exceptions=taken.exceptions,
            functions=self._functions(),
            block_sizes=self._block_sizes(),
            resent=taken.resent,
            sent_again=taken.sent_again,
            reads=int(groups.exchange.polls[reads, P_COUNT].sum()),
            busiest=load.second,
            reply=reply,
            service=service,
            silences=own,
            master_silences=of_masters,
            polls=polls,
            first_ns=times[0],
            last_ns=times[1],
        )

    def _extent(self) -> tuple[int | None, int | None]:
        """Times of the first and the last request."""
        if not self.requests:
            return None, None
        rows = self.groups.exchange.polls[self.requests]
        return int(rows[:, P_FIRST_NS].min()), int(rows[:, P_LAST_NS].max())

    def _is_regular(
        self, polls: list[PollFigures], requests: int, first: int | None, last: int | None
    ) -> bool:
        if any(poll.kind == "cyclic" for poll in polls):
            return True
        if requests < LEAST_REQUESTS or first is None or last is None:
            return False
        return 2 * (last - first) >= self.facts.span_ns

    def _functions(self) -> dict[int, int]:
        counts: Counter[int] = Counter()
        for row, count in zip(self.requests, self.counts, strict=True):
            counts[self.groups.keys[row].function] += count
        return dict(sorted(counts.items()))

    def _block_sizes(self) -> dict[int, dict[int, int]]:
        sizes: dict[int, dict[int, int]] = {}
        for row, count in zip(self.requests, self.counts, strict=True):
            key = self.groups.keys[row]
            if key.function in BLOCK_READS and key.quantity >= 0:
                found = sizes.setdefault(key.function, {})
                found[key.quantity] = found.get(key.quantity, 0) + count
        return {function: dict(sorted(counts.items())) for function, counts in sorted(sizes.items())}
