"""Network events in, moments out: look-ups, announcements, echoes, errors, leases, trees, broadcasts, origins."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator
from dataclasses import replace

import numpy as np

from mbsniff.diagnose.neighbourhood import mac_text
from mbsniff.exchange.columns import (
    N_ADDRESS,
    N_AMOUNT,
    N_FRAME,
    N_KIND,
    N_MAC,
    N_TARGET,
    N_TARGET_MAC,
    N_TIME_NS,
)
from mbsniff.story.hosts import Hosts
from mbsniff.story.moments import Moment
from mbsniff.story.scope import Scope
from mbsniff.wire.network import rows as kinds

ANSWER_NS = 1_000_000_000  # common practice: whoever answers a look-up or an echo does so within this time
STORM_TIMES, STORM_LEAST = 10, 100  # group-addressed frames a second: against the usual, and at least
NS_PER_S = 1_000_000_000
UNREACHABLE = {3: "unreachable", 11: "the way too long", 1: "unreachable"}  # RFC 792; 1: RFC 4443

Event = list[int]


def network_moments(scope: Scope, idle: Collection[str]) -> Iterator[Moment]:
    """What hosts and switches said of the device, its masters and the way between, in the seconds around as well.

    ``idle``: names of masters that asked nobody; of the others it says nothing that their hosts answer echoes.
    """
    network = scope.case.exchange.network
    hosts = Hosts(scope, network, scope.case.exchange.hosts)
    first, last = np.searchsorted(network[:, N_TIME_NS], (scope.lead_ns, scope.tail_ns + TREE_TAIL_NS))
    answered = _answers(network[first:last].tolist())
    for event in network[first:last].tolist():
        tell = TOLD.get(event[N_KIND])
        if tell is None or (event[N_TIME_NS] > scope.tail_ns and event[N_KIND] != kinds.TREE_NEWS):
            continue
        moment = tell(hosts, event, answered)
        if moment and moment.kind == "host-alive" and moment.whom not in (*idle, hosts.name(hosts.device)):
            moment = replace(moment, kind="host-alive-too")
        if moment:
            yield moment
    yield from _storms(scope, hosts)


TREE_TAIL_NS = 10_000_000_000  # switches tell of a change when its new way opens, some seconds after (802.1D)

Answers = dict[tuple[int, int], list[int]]
_ANSWER_OF = {kinds.LOOKUP_ANSWERED: kinds.LOOKUP_ASKED, kinds.ECHO_ANSWERED: kinds.ECHO_ASKED}


def _answers(events: list[Event]) -> Answers:
    """Times of answers by what they answer: (kind asked, row of the one that answers)."""
    found: Answers = {}
    for event in events:
        asked = _ANSWER_OF.get(event[N_KIND])
        if asked is not None:
            found.setdefault((asked, event[N_ADDRESS]), []).append(event[N_TIME_NS])
    return found


def _is_answered(event: Event, answers: Answers) -> bool:
    times = answers.get((event[N_KIND], event[N_TARGET]), [])
    first = bisect_left(times, event[N_TIME_NS])
    return first < len(times) and times[first] - event[N_TIME_NS] <= ANSWER_NS


def _matters(hosts: Hosts, address: str) -> bool:
    return address == hosts.device or address in hosts.masters


def _moment(kind: str, event: Event, who: str = "", whom: str = "", what: str = "") -> Moment:
    return Moment(kind, event[N_TIME_NS], (event[N_FRAME],), who, whom, what, group=kind)


def _lookup(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """A look-up of the device's or a master's hardware address; the answered ones are routine."""
    address, asker = hosts.text(event[N_TARGET]), hosts.text(event[N_ADDRESS])
    if not _matters(hosts, address):
        return None
    kind = "lookup-answered" if _is_answered(event, answers) else "lookup-unanswered"
    return _moment(kind, event, hosts.name(asker) if asker else "somebody", hosts.name(address))


def _claimed(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """An announcement of an address, or an answer to a look-up: by whom it is usual, or by somebody else."""
    address, mac = hosts.text(event[N_ADDRESS]), event[N_MAC]
    usual = hosts.usual_mac(address) if address else None
    if _matters(hosts, address):
        if usual is not None and mac >= 0 and mac != usual:
            return _moment("claimed", event, hosts.owner(mac, address), hosts.name(address))
        if event[N_KIND] == kinds.ADDRESS_ANNOUNCED:
            return _moment("announced", event, whom=hosts.name(address))
        return None
    if mac >= 0 and mac == hosts.usual_mac(hosts.device) and event[N_KIND] == kinds.ADDRESS_ANNOUNCED:
        return _moment("announced-other", event, hosts.name(hosts.device), what=address)
    return None


def _echo(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """Echo requests to a master or the device: whether its host answers."""
    address = hosts.text(event[N_TARGET])
    if not _matters(hosts, address):
        return None
    kind = "host-alive" if _is_answered(event, answers) else "host-silent"
    return _moment(kind, event, whom=hosts.name(address))


def _error(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """A host or router says that packets to the device, or to a master, did not arrive."""
    about, who = hosts.text(event[N_TARGET]), hosts.text(event[N_ADDRESS])
    if not _matters(hosts, about):
        return None
    kind, code = event[N_AMOUNT] >> 8, event[N_AMOUNT] & 0xFF
    what = f"{UNREACHABLE.get(kind, 'an error')} (ICMP type {kind}, code {code})"
    return _moment("host-error", event, hosts.name(who) if who else "somebody", hosts.name(about), what)


def _lease(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """An address given to the device's hardware, or the device's address given to somebody."""
    given = hosts.text(event[N_TARGET])
    own = event[N_TARGET_MAC] == hosts.usual_mac(hosts.device)
    if not own and given != hosts.device:
        return None
    whom = hosts.name(hosts.device) if own else hosts.owner(event[N_TARGET_MAC])
    if event[N_KIND] == kinds.LEASE_GIVEN:
        return _moment(
            "lease-other" if given != hosts.device or not own else "lease", event, whom=whom, what=given
        )
    names = {
        kinds.LEASE_REFUSED: "refused",
        kinds.LEASE_DECLINED: "declined",
        kinds.LEASE_RELEASED: "released",
    }
    if event[N_KIND] not in names:
        return _moment("lease-asked", event, whom)
    return _moment("lease-lost", event, whom=whom, what=names[event[N_KIND]])


def _tree(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """A switch tells of a changed spanning tree."""
    return _moment("tree-changed", event)


def _hello(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """A switch's port, role or root differs from what it said last."""
    return _moment("tree-hello", event, hosts.owner(event[N_MAC]))


def _origin(hosts: Hosts, event: Event, answers: Answers) -> Moment | None:
    """A segment that bears the device's or a master's address, from other hardware than usual."""
    address, mac = hosts.text(event[N_ADDRESS]), event[N_MAC]
    usual = hosts.usual_mac(address) if address and _matters(hosts, address) else None
    if usual is None or mac < 0 or mac == usual:
        return None
    return _moment("other-origin", event, whom=hosts.name(address), what=mac_text(mac))


TOLD: dict[int, Callable[[Hosts, Event, Answers], Moment | None]] = {
    kinds.LOOKUP_ASKED: _lookup,
    kinds.LOOKUP_ANSWERED: _claimed,
    kinds.ADDRESS_ANNOUNCED: _claimed,
    kinds.ECHO_ASKED: _echo,
    kinds.HOST_ERROR: _error,
    kinds.LEASE_ASKED: _lease,
    kinds.LEASE_GIVEN: _lease,
    kinds.LEASE_REFUSED: _lease,
    kinds.LEASE_DECLINED: _lease,
    kinds.LEASE_RELEASED: _lease,
    kinds.TREE_NEWS: _tree,
    kinds.TREE_HELLO: _hello,
    kinds.ORIGIN: _origin,
}
"""Kind of network event → what makes a moment of it; the sentences are in `mbsniff.story.kinds`."""


def _storms(scope: Scope, hosts: Hosts) -> Iterator[Moment]:
    """Seconds in which far more frames went to groups of hosts than usual."""
    seconds = scope.case.exchange.broadcasts
    inside = seconds[(seconds[:, 0] >= scope.lead_ns) & (seconds[:, 0] <= scope.until_ns)]
    if not len(inside):
        return
    span_s = max(scope.case.facts.span_ns // NS_PER_S, 1)
    counts = np.sort(np.concatenate([seconds[:, 1], np.zeros(max(span_s - len(seconds), 0), np.int64)]))
    usual = int(counts[len(counts) // 2])
    storm = inside[inside[:, 1] >= max(STORM_TIMES * usual, STORM_LEAST)]
    if len(storm):
        worst = storm[storm[:, 1].argmax()]
        what = f"up to {int(worst[1]):,} a second (usually {usual:,}), most of them from {hosts.owner(int(worst[2]))}"
        until_ns = int(storm[-1, 0]) + NS_PER_S
        yield Moment("storm", int(storm[0, 0]), what=what, until_ns=until_ns)
