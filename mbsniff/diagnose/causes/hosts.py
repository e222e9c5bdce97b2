"""A silence in, what look-ups, echoes and errors say of the masters' hosts and of the device meanwhile out."""

from __future__ import annotations

import numpy as np

from mbsniff.diagnose.causes.masters import idle_stretches
from mbsniff.diagnose.causes.seen import ABSENT, UNTOLD, Seen
from mbsniff.diagnose.lines import Longs
from mbsniff.diagnose.neighbourhood import between, mac_text, of_kind
from mbsniff.diagnose.scene import Scene
from mbsniff.diagnose.wording import clock, counted
from mbsniff.exchange.columns import N_ADDRESS, N_AMOUNT, N_KIND, N_MAC, N_TIME_NS
from mbsniff.wire.network.rows import (
    ADDRESS_ANNOUNCED,
    ADDRESS_PROBED,
    ECHO_ANSWERED,
    ECHO_ASKED,
    HOST_ERROR,
    LOOKUP_ANSWERED,
    LOOKUP_ASKED,
)

LIFE = (LOOKUP_ASKED, LOOKUP_ANSWERED, ECHO_ASKED, ECHO_ANSWERED)
"""What only a host that lives sends; announcements come when a link or a host does."""
ANSWERS = (LOOKUP_ANSWERED, ECHO_ANSWERED)
WORDS = {
    ECHO_ANSWERED: ("echo reply", "echo replies"),
    LOOKUP_ANSWERED: ("reply to a look-up", "replies to look-ups"),
    ECHO_ASKED: ("echo", "echoes"),
    LOOKUP_ASKED: ("look-up", "look-ups"),
}


def addresses_of(scene: Scene, master: int) -> list[str]:
    """All addresses that a master sends from."""
    groups, pairs = scene.case.figures.groups, scene.case.exchange.pairs
    own = np.flatnonzero(groups.master_of_pair == master).tolist()
    return sorted({pairs[pair].client for pair in own})


def _within_idle(scene: Scene) -> list[tuple[str, int, int]]:
    """(address, from, until): each address of the masters, and when its master did nothing, its edges left out."""
    found = []
    for master, (since, until) in zip(scene.feeders.tolist(), idle_stretches(scene), strict=True):
        edge = (until - since) // 10
        found += [(address, since + edge, until - edge) for address in addresses_of(scene, master)]
    return found


def _signs(scene: Scene, address: str, since: int, until: int, kinds: tuple[int, ...]) -> Longs:
    """What a host says from a time until another, up to where it announces that it came up."""
    rows = between(scene.case.neighbourhood.by(address), since, until)
    if not len(rows):
        return rows
    back = of_kind(rows, ADDRESS_ANNOUNCED, ADDRESS_PROBED)
    rows = of_kind(rows, *kinds)
    return rows[rows[:, N_TIME_NS] < back[0, N_TIME_NS]] if len(back) else rows


def master_answers(scene: Scene) -> Seen:
    """Look-ups and echoes by the masters' hosts while they asked no device."""
    each = [_signs(scene, *where, LIFE) for where in _within_idle(scene)]
    rows = np.concatenate([scene.case.neighbourhood.rows[:0], *each])
    if not len(rows):
        return ABSENT
    counts = {kind: int(np.count_nonzero(rows[:, N_KIND] == kind)) for kind in WORDS}
    said = " and ".join(counted(count, *WORDS[kind]) for kind, count in counts.items() if count)
    host = "its host" if len(scene.feeders) == 1 else "their hosts"
    return Seen(True, f"{host} sent {said} meanwhile", scene.case.network_frames(rows))


def master_asked_in_vain(scene: Scene) -> Seen:
    """Look-ups of, or echoes to, the masters' addresses that stayed without an answer, all of them."""
    around = scene.case.neighbourhood
    asked, answers = [around.rows[:0]], 0
    for address, since, until in _within_idle(scene):
        own = of_kind(between(around.about(address), since, until), LOOKUP_ASKED, ECHO_ASKED)
        asked.append(own)
        answers += len(_signs(scene, address, since, until, LIFE))
    rows = np.concatenate(asked)
    if not len(rows) or answers:
        return ABSENT
    text = f"{counted(len(rows), 'look-up or echo', 'look-ups or echoes')} to it stayed unanswered"
    return Seen(True, text, scene.case.network_frames(rows))


def master_announced(scene: Scene) -> Seen:
    """The masters' hosts announced an address of theirs before they asked again."""
    around = scene.case.neighbourhood
    addresses = [a for master in scene.feeders.tolist() for a in addresses_of(scene, master)]
    each = [
        of_kind(between(around.by(a), scene.from_ns, scene.until_ns), ADDRESS_ANNOUNCED) for a in addresses
    ]
    rows = np.concatenate([around.rows[:0], *each])
    if not len(rows):
        return ABSENT if around.has_lookups else UNTOLD
    text = f"its host announced itself at {clock(int(rows[-1, N_TIME_NS]))} (its link or it came up)"
    return Seen(True, text, scene.case.network_frames(rows))


def lookups_unanswered(scene: Scene) -> Seen:
    """The device's address was looked up, and nobody answered, while the masters tried."""
    around, address = scene.case.neighbourhood, scene.device.address
    since, until = _span(scene)
    asked = of_kind(between(around.about(address), since, until), LOOKUP_ASKED, ECHO_ASKED)
    if not len(asked) or len(_heard(scene)):
        return ABSENT if around.has_lookups else UNTOLD
    text = f"its address was looked up {counted(len(asked), 'time')} in vain"
    return Seen(True, text, scene.case.network_frames(asked))


def host_answers(scene: Scene) -> Seen:
    """The device's host answered look-ups or echoes while the masters tried."""
    rows = _heard(scene)
    if not len(rows):
        return ABSENT
    text = f"its host answered {counted(len(rows), 'look-up or echo', 'look-ups or echoes')} meanwhile"
    return Seen(True, text, scene.case.network_frames(rows))


def _span(scene: Scene) -> tuple[int, int]:
    """Well within the silence, and while the masters tried."""
    since, until = scene.tried
    return max(since, scene.early_ns), min(until, scene.nearly_until_ns)


def _heard(scene: Scene) -> Longs:
    """Answers of the device's host, before it announced itself."""
    return _signs(scene, scene.device.address, *_span(scene), ANSWERS)


def device_announced(scene: Scene) -> Seen:
    """The device's own hardware address announced its address in the silence."""
    around, address = scene.case.neighbourhood, scene.device.address
    rows = of_kind(between(around.by(address), scene.from_ns, scene.until_ns), ADDRESS_ANNOUNCED)
    usual = around.usual_mac(address, scene.from_ns)
    if usual is not None:
        rows = rows[rows[:, N_MAC] == usual]
    if not len(rows):
        return ABSENT if around.has_lookups else UNTOLD
    text = f"it announced itself at {clock(int(rows[-1, N_TIME_NS]))} (its link came up)"
    return Seen(True, text, scene.case.network_frames(rows))


def host_errors(scene: Scene) -> Seen:
    """A host or router said that packets to the device do not arrive."""
    around = scene.case.neighbourhood
    rows = of_kind(between(around.about(scene.device.address), scene.from_ns, scene.until_ns), HOST_ERROR)
    if not len(rows):
        return ABSENT
    who, what = int(rows[0, N_ADDRESS]), int(rows[0, N_AMOUNT])
    name = around.address(who) if who >= 0 else mac_text(int(rows[0, N_MAC]))
    text = f"{name} said that it is not to be reached (ICMP type {what >> 8}, code {what & 0xFF})"
    return Seen(True, text, scene.case.network_frames(rows))
