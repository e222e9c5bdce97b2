"""A silence in, what happened to the network at large out: other devices lost at once, trees, floods of broadcasts."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Seen
from mbsniff.diagnose.finding import Evidence
from mbsniff.diagnose.lines import Longs, one_of
from mbsniff.diagnose.neighbourhood import between, mac_text, of_kind
from mbsniff.diagnose.scene import Scene
from mbsniff.diagnose.wording import NS_PER_S, clock, counted, listed
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS, N_TIME_NS
from mbsniff.wire.control import SENT_AGAIN
from mbsniff.wire.network.rows import TREE_HELLO, TREE_NEWS
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, OPENING, RESET

AT_ONCE_NS = 3 * NS_PER_S  # masters notice a lost path at their next request, some a cycle later than others
MOST_TRIES = 5_000  # looked through for others
TRIES = 2  # repetitions or attempts in vain that make an endpoint one that is lost
BEFORE_NS, AFTER_NS = 5 * NS_PER_S, 15 * NS_PER_S
"""News of a tree beside a silence: told late, when the new port forwards (IEEE 802.1D-2004, 17.14: after 15 s)."""
STORM_PER_S, STORM_TIMES = 100, 10  # frames to groups in a second, and times what is usual


def several_at_once(scene: Scene) -> Seen:
    """Masters tried in vain to reach other endpoints at the same time."""
    case, (since, until) = scene.case, scene.tried
    tries, endpoints = case.once("tries in vain", lambda: _tries(case))
    first, last = np.searchsorted(tries[:, E_TIME_NS], (since - AT_ONCE_NS, until))
    last = min(last, first + MOST_TRIES)
    places, begins, counts = np.unique(endpoints[first:last], return_index=True, return_counts=True)
    near = np.abs(tries[first + begins, E_TIME_NS] - since) <= AT_ONCE_NS
    others = places[near & (counts >= TRIES) & (places != scene.device.endpoint)]
    if not len(others):
        return ABSENT
    names = listed([_name(case, place) for place in others.tolist()], 4)
    chosen = tries[first:last][np.isin(endpoints[first:last], others)]
    _, firsts = np.unique(chosen[:, E_CONNECTION], return_index=True)
    text = f"at once with {counted(len(others), 'other endpoint')} ({names})"
    return Seen(True, text, case.event_frames(chosen[np.sort(firsts)]))


def _name(case: Case, endpoint: int) -> str:
    named = next((d.name for d in case.figures.devices if d.endpoint == endpoint and d.name), None)
    return named or case.figures.endpoints[endpoint].address


def _tries(case: Case) -> tuple[Longs, Longs]:
    """Repetitions and attempts of masters that brought nothing, in time order, and the endpoints of each."""
    exchange = case.exchange
    events = exchange.events
    following = case.next_on_connection
    answered = (following >= 0) & one_of(events[following, E_KIND], (ACCEPTED, RESET))
    is_syn = (events[:, E_KIND] == OPENING) & ((events[:, E_AMOUNT] == SENT_AGAIN) | ~answered)
    vain = np.flatnonzero((events[:, E_SIDE] == CLIENT) & (is_syn | (events[:, E_KIND] == AGAIN)))
    vain = vain[np.argsort(events[vain, E_TIME_NS], kind="stable")]
    endpoints = case.endpoint_of_pair[exchange.connection_pair[events[vain, E_CONNECTION]]]
    return events[vain][endpoints >= 0], endpoints[endpoints >= 0]


def tree_changed(scene: Scene) -> Seen:
    """Bridges said that their spanning tree changed, or a bridge says another root or port than before."""
    case = scene.case
    rows = between(case.neighbourhood.rows, scene.from_ns - BEFORE_NS, scene.until_ns + AFTER_NS)
    news = of_kind(rows, TREE_NEWS)
    hellos = of_kind(case.neighbourhood.rows, TREE_HELLO, TREE_NEWS)
    if not len(news):
        return ABSENT if len(hellos) else UNTOLD
    text = (
        f"bridges told of a change of the spanning tree {counted(len(news), 'time')}, first at "
        f"{clock(int(news[0, N_TIME_NS]))}"
    )
    return Seen(True, text, case.network_frames(news))


def broadcasts_soared(scene: Scene) -> Seen:
    """Far more frames to groups of hosts in a second than usual."""
    case = scene.case
    seconds = case.exchange.broadcasts
    first, last = np.searchsorted(seconds[:, 0], (scene.from_ns - NS_PER_S + 1, scene.until_ns))
    if first >= last:
        return ABSENT
    within = seconds[first:last]
    worst = within[within[:, 1].argmax()]
    span_s = max(case.facts.span_ns // NS_PER_S - (scene.until_ns - scene.from_ns) // NS_PER_S, 1)
    usual = int(seconds[:first, 1].sum() + seconds[last:, 1].sum()) / span_s
    if worst[1] < STORM_PER_S or worst[1] < STORM_TIMES * usual:
        return ABSENT
    by = f", most of them by {mac_text(int(worst[2]))}" if worst[2] >= 0 else ""
    text = f"broadcasts rose from {usual:.1f} to {int(worst[1]):,} a second at {clock(int(worst[0]))}{by}"
    return Seen(True, text, _frames(case, scene))


def _frames(case: Case, scene: Scene) -> tuple[Evidence, ...]:
    """Network events of the time, of which a flood leaves some."""
    return case.network_frames(between(case.neighbourhood.rows, scene.early_ns, scene.nearly_until_ns))
