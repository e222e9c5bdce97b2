"""An Exchange, the recording's facts and a Site in, all Figures out."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange, RecordingFacts
from mbsniff.exchange.columns import (
    LATE,
    NO_CODE,
    P_COUNT,
    P_FIRST_NS,
    P_LAST_NS,
    STATUS_MASK,
    STATUS_NAMES,
    UNANSWERED,
)
from mbsniff.measure import passes
from mbsniff.measure.figures import (
    DeviceFigures,
    Endpoint,
    Figures,
    Load,
    MasterHabits,
    PollFigures,
    Quantiles,
)
from mbsniff.measure.groups import BLOCK_READS, Group, Groups, address_rank, group, is_orphan
from mbsniff.measure.habits import LinksByPair, master_habits
from mbsniff.measure.load import load, reading_polls
from mbsniff.measure.polls import poll_figures
from mbsniff.measure.quantiles import quantiles
from mbsniff.measure.silences import FEEDS, feeding_polls, master_silences, silences
from mbsniff.measure.vantage import vantage
from mbsniff.site import Limits, Site

LEAST_REQUESTS = 10  # for a device without a cyclic poll to count as regularly polled


def measure(exchange: Exchange, facts: RecordingFacts, site: Site, *, compiled: bool) -> Figures:
    """Measure everything; ``compiled`` picks the loops' way."""
    groups = group(exchange, site, compiled=compiled)
    where, handshakes = vantage(exchange)
    by_endpoint = _devices_by_endpoint(groups)
    links = LinksByPair(exchange)
    endpoints, devices = [], []
    sizes = [_size(groups, members) for members in by_endpoint.values()]
    scratch = np.empty(max(sizes, default=0), np.int64)
    for (address, port), members in by_endpoint.items():
        order = _endpoint_order(groups, members)
        endpoints.append(_endpoint(groups, address, port, members, order, scratch, links, compiled))
        for device in members:
            one = _Device(groups, device, len(endpoints) - 1, site, facts, compiled)
            alone = endpoints[-1].load if len(members) == 1 else None
            devices.append(one.figures(order, alone, scratch))
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


def _endpoint(
    groups: Groups, address: str, port: int, members: list[int], order: NDArray[np.int32],
    scratch: NDArray[np.int64], links: LinksByPair, compiled: bool,
) -> Endpoint:  # fmt: skip
    polls = [row for device in members for row in groups.polls_of_device[device]]
    reads = reading_polls(groups, polls)
    whole = load(groups, order, reads, scratch, compiled=compiled)
    by_master: dict[str, list[int]] = {}
    for row in reads:
        by_master.setdefault(groups.masters[groups.master_of_poll[row]], []).append(row)
    if len(by_master) == 1:
        loads = dict.fromkeys(by_master, whole)
    else:
        loads = {m: load(groups, order, r, scratch, compiled=compiled) for m, r in sorted(by_master.items())}
    return Endpoint(address, port, whole, loads, _habits(groups, polls, order, links))


def _habits(
    groups: Groups, polls: list[int], order: NDArray[np.int32], links: LinksByPair
) -> list[MasterHabits]:
    """How each client of an endpoint behaves; ``polls`` are all of the endpoint's."""
    exchange = groups.exchange
    kinds = exchange.status[order] & STATUS_MASK
    smooth = not ((kinds == UNANSWERED) | (kinds == LATE)).any()
    requests: Counter[int] = Counter()
    for row in polls:
        if not is_orphan(groups.keys[row]):
            requests[groups.keys[row].pair] += int(exchange.polls[row, P_COUNT])
    return [
        master_habits(groups, pair, count, None if smooth else order, links)
        for pair, count in sorted(requests.items())
    ]


def _exceptions_by_poll(exchange: Exchange) -> dict[int, dict[int, int]]:
    rows = np.flatnonzero(exchange.exception)
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
        declared = self.group.declared
        self.limits: Limits = declared.limits if declared else site.defaults

    def figures(
        self, endpoint_order: NDArray[np.int32], alone: Load | None, scratch: NDArray[np.int64]
    ) -> DeviceFigures:
        """All figures; ``alone`` is the endpoint's load where the device is its only one."""
        flags = feeding_polls(self.groups, self.site, self.device, self.limits)
        with self.groups.table(self.rows, flags, place=FEEDS) as feeds:
            return self._figures(endpoint_order, alone, feeds, scratch)

    def _figures(
        self,
        endpoint_order: NDArray[np.int32],
        alone: Load | None,
        feeds: NDArray[np.int64],
        scratch: NDArray[np.int64],
    ) -> DeviceFigures:
        groups, limits = self.groups, self.limits
        order = groups.transactions(self.device)
        counts, exceptions = self._counts(order)
        polls = poll_figures(groups, self.device, feeds, scratch, compiled=self.compiled)
        reads = reading_polls(groups, self.rows)
        times = self._extent()
        requests = int(groups.exchange.polls[self.requests, P_COUNT].sum())
        masters = {groups.masters[groups.master_of_poll[row]] for row in self.requests}
        start_ns, end_ns = self.facts.starts_ns or 0, self.facts.ends_ns or 0
        return DeviceFigures(
            address=self.group.address,
            port=self.group.port,
            units=self.group.units,
            name=self.group.declared.name if self.group.declared else None,
            limits=limits,
            index=self.device,
            endpoint=self.endpoint,
            masters=sorted(masters, key=address_rank),
            regular=self._is_regular(polls, requests, *times),
            requests=requests,
            statuses={name: counts[code] for code, name in enumerate(STATUS_NAMES)},
            answered=sum(counts[1 : LATE + 1]),
            exceptions=exceptions,
            functions=self._functions(),
            block_sizes=self._block_sizes(),
            resent=counts[passes.N_RESENT],
            sent_again=counts[passes.N_SENT_AGAIN],
            reads=int(groups.exchange.polls[reads, P_COUNT].sum()),
            busiest=(alone or load(groups, order, reads, scratch, compiled=self.compiled)).second,
            reply=self._reply(order, scratch),
            service=self._service(endpoint_order, scratch),
            silences=silences(
                groups, self.device, limits, feeds, start_ns, end_ns, scratch, compiled=self.compiled
            ),
            master_silences=master_silences(groups, self.device, limits, feeds, compiled=self.compiled),
            polls=polls,
            first_ns=times[0],
            last_ns=times[1],
        )

    def _counts(self, order: NDArray[np.int32]) -> tuple[list[int], dict[int, int]]:
        counts = np.zeros(passes.N_COUNTS, np.int64)
        exceptions = np.zeros(256, np.int64)
        exchange = self.groups.exchange
        passes.count_device(
            order, exchange.status, exchange.exception, counts, exceptions, compiled=self.compiled
        )
        exceptions[0] = exceptions[NO_CODE]
        return counts.tolist(), {code: int(exceptions[code]) for code in range(NO_CODE) if exceptions[code]}

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
        for row in self.requests:
            counts[self.groups.keys[row].function] += int(self.groups.exchange.polls[row, P_COUNT])
        return dict(sorted(counts.items()))

    def _block_sizes(self) -> dict[int, dict[int, int]]:
        sizes: dict[int, Counter[int]] = {}
        for row in self.requests:
            key = self.groups.keys[row]
            if key.function in BLOCK_READS and key.quantity >= 0:
                count = int(self.groups.exchange.polls[row, P_COUNT])
                sizes.setdefault(key.function, Counter())[key.quantity] += count
        return {function: dict(sorted(found.items())) for function, found in sorted(sizes.items())}

    def _reply(self, order: NDArray[np.int32], scratch: NDArray[np.int64]) -> Quantiles | None:
        exchange = self.groups.exchange
        count = passes.gather_replies(
            order, exchange.reply_ns, exchange.status, scratch, compiled=self.compiled
        )
        return quantiles(scratch[:count], compiled=self.compiled)

    def _service(self, order: NDArray[np.int32], scratch: NDArray[np.int64]) -> Quantiles | None:
        """Over the endpoint's order of requests, or of replies where those came in another order."""
        exchange = self.groups.exchange
        for tried in (order, None):
            if tried is None:
                tried = order[np.argsort(exchange.reply_frame[order], kind="stable")]
            count = passes.gather_services(
                tried, exchange.request_ns, exchange.reply_ns, exchange.reply_frame, exchange.poll,
                exchange.status, self.groups.device_of_poll, self.device, scratch, compiled=self.compiled,
            )  # fmt: skip
            if count >= 0:
                break
        return quantiles(scratch[:count], compiled=self.compiled)
