"""A silence in, the cause that the recorded evidence argues for out: the first row of the table that fits.

Only what one mirror port shows is used. Where it cannot tell neighbouring causes apart, the wider one is
named, as likely or open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Certainty, Evidence
from mbsniff.diagnose.scene import WITHOUT_REPLY, Scene, scene_of
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import (
    ANSWERED,
    BY_ORDER,
    E_AMOUNT,
    E_FROM_NS,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LONGEST_WAIT_NS,
    PIPELINED,
    UNKNOWN,
)
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.wire.functions import EXCEPTIONS
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, RESET, SERVER, UNRECORDED

TARGET_CODES = (0x0A, 0x0B)  # a gateway about what lies behind it (V1.1b3, 7)


@dataclass(frozen=True)
class Cause:
    """What a silence is put down to."""

    code: str
    certainty: Certainty
    text: str
    evidence: tuple[Evidence, ...]


def cause_of(case: Case, device: DeviceFigures, silence: Silence, limit_ns: int) -> Cause:
    """The first cause of the table whose evidence is there."""
    scene = scene_of(case, device, silence, limit_ns)
    for argue in TABLE:
        cause = argue(scene)
        if cause:
            return cause
    return Cause("none-seen", "open", "the recording shows no communication cause", ())


def recording_gap(scene: Scene) -> Cause | None:
    """The recording itself lacks what could have been a feed."""
    return lost_requests(scene) or _lost_replies(scene) or _blank(scene)


def lost_requests(scene: Scene) -> Cause | None:
    """The recording lacks bytes of the masters."""
    silence = scene.silence
    since = silence.until_ns - silence.shortest_ns
    lost = scene.case.events(scene.device, since, silence.until_ns + LONGEST_WAIT_NS)
    lost = lost[(lost[:, E_KIND] == UNRECORDED) & (lost[:, E_SIDE] == CLIENT)]
    lost = lost[lost[:, E_FROM_NS] <= silence.until_ns]
    if len(lost):
        count = int(lost[:, E_AMOUNT].sum())
        text = f"the recording lacks {counted(count, 'byte')} that the masters sent meanwhile"
        return Cause("recording-gap", "likely", text, scene.case.event_frames(lost))
    return None


def _lost_replies(scene: Scene) -> Cause | None:
    """The recording lacks replies that would have confirmed feeds."""
    feeding = [poll.row for poll in scene.device.polls if poll.feeds]
    unknown = scene.further[scene.statuses(scene.further) == UNKNOWN]
    unknown = unknown[np.isin(scene.case.exchange.poll[unknown], feeding)]
    if len(unknown):
        text = f"the recording lacks bytes in which the replies to {counted(len(unknown), 'request')} may have been"
        return Cause("recording-gap", "likely", text, scene.case.request_frames(unknown.tolist()))
    return None


def _blank(scene: Scene) -> Cause | None:
    """Nothing at all was recorded for so long that the rest of the silence kept to the timeout."""
    silence, facts = scene.silence, scene.case.facts
    since = silence.until_ns - silence.shortest_ns
    blank = blank_within(facts.blanks, since, silence.until_ns)
    if silence.shortest_ns - blank <= scene.limit_ns < silence.shortest_ns:
        text = (
            f"no frame of any kind was recorded for {duration(blank)} of it; a silent plant and a recorder "
            "that stopped look alike"
        )
        return Cause("recording-gap", "open", text, scene.case.request_frames([silence.before]))
    return None


def blank_within(blanks: NDArray[np.int64], from_ns: int, until_ns: int) -> int:
    """The longest stretch without any frame, as far as it lies between two times."""
    if not len(blanks):
        return 0
    inside = np.minimum(blanks[:, 1], until_ns) - np.maximum(blanks[:, 0], from_ns)
    return int(max(inside.max(), 0))


def _refused(scene: Scene) -> Cause | None:
    """Most attempts to connect are answered by a reset."""
    refusals, attempts = scene.refusals, scene.attempts
    unheard = len(attempts) - len(scene.of_kind(ACCEPTED, SERVER)) - len(refusals)
    if not len(refusals) or unheard > len(refusals):
        return None
    text = f"{counted(len(attempts), 'attempt')} to connect, {len(refusals)} of them answered by a reset"
    return Cause("connect-refused", "likely", text, scene.case.event_frames(refusals))


def _unreachable(scene: Scene) -> Cause | None:
    """What the master sends is neither acknowledged nor answered."""
    again, attempts = scene.of_kind(AGAIN, CLIENT), scene.attempts
    unheard = len(attempts) - len(scene.of_kind(ACCEPTED, SERVER)) - len(scene.refusals)
    if (not len(again) and unheard < 1) or _heard_meanwhile(scene):
        return None
    parts = []
    if len(again):
        parts.append(f"requests sent again {counted(len(again), 'time')} without an acknowledgement")
    if unheard > 0:
        parts.append(f"{counted(unheard, 'attempt')} to connect without an answer")
    text = "the device was not heard while the master tried: " + ", ".join(parts)
    frames = scene.case.event_frames(np.concatenate([again, attempts]))
    return Cause("device-unreachable", "likely", text, frames)


def _heard_meanwhile(scene: Scene) -> bool:
    """Whether the device sent anything that shows its TCP alive in the silence's middle."""
    late = scene.events[:, E_TIME_NS] < scene.nearly_until_ns
    early = scene.events[:, E_TIME_NS] > scene.from_ns + scene.until_ns - scene.nearly_until_ns
    by_device = scene.events[:, E_SIDE] == SERVER
    acked = scene.case.exchange.ack_ns[scene.unanswered] >= 0
    return bool((late & early & by_device).any() or acked.any())


def _stalled(scene: Scene) -> Cause | None:
    """TCP took the request, but no reply came."""
    acked = scene.unanswered[scene.case.exchange.ack_ns[scene.unanswered] >= 0]
    if not len(acked):
        return None
    text = f"the device's TCP acknowledged {counted(len(acked), 'request')}, but no reply came"
    return Cause("device-stalled", "likely", text, scene.case.request_frames(acked.tolist()))


def _ended(scene: Scene) -> Cause | None:
    """The connection was closed or reset, and opened anew only later."""
    ends = scene.events[np.isin(scene.events[:, E_KIND], (CLOSING, RESET))]
    if not len(ends):
        return None
    who = "master" if ends[0, E_SIDE] == CLIENT else "device"
    how = "reset" if ends[0, E_KIND] == RESET else "closed"
    after = duration(int(ends[0, E_TIME_NS]) - scene.from_ns)
    text = f"the {who} {how} the connection {after} after the last request"
    return Cause("connection-ended", "likely", text, scene.case.event_frames(ends))


def _not_fed(scene: Scene) -> Cause | None:
    """Requests came through that would have kept the watchdog fed, but none of them feeds it for certain."""
    exchange = scene.case.exchange
    rows = scene.further[np.isin(scene.statuses(scene.further), (ANSWERED, BY_ORDER, PIPELINED))]
    if not len(rows) or len(scene.unanswered):
        return None
    times = [scene.from_ns, *exchange.request_ns[rows].tolist(), scene.until_ns]
    if max(b - a for a, b in pairwise(times)) > scene.limit_ns:
        return None
    codes = sorted(set(exchange.exception[rows].tolist()))
    frames = scene.case.reply_frames(rows.tolist())
    if codes[0]:
        names = ", ".join(f"{code:02X} {EXCEPTIONS[code].name}" for code in codes if code in EXCEPTIONS)
        text = f"{counted(len(rows), 'request')} came to nothing but exceptions" + (
            f" ({names})" if names else ""
        )
        dead = set(codes) <= set(TARGET_CODES)
        return Cause("target-dead" if dead else "feed-wrong", "likely", text, frames)
    text = f"{counted(len(rows), 'request')} came meanwhile, but none that feeds this watchdog"
    return Cause("feed-wrong", "likely", text, frames)


def _starved(scene: Scene) -> Cause | None:
    """A master waited for other devices' replies for at least half of the silence."""
    if not len(scene.others) or scene.is_asked or len(scene.unanswered):
        return None
    exchange, groups = scene.case.exchange, scene.case.figures.groups
    masters = groups.master_of_poll[exchange.poll[scene.others]]
    for master in np.unique(masters).tolist():
        rows = scene.others[masters == master]
        missed = np.isin(scene.statuses(rows), WITHOUT_REPLY)
        waits = np.diff(exchange.request_ns[rows], append=scene.until_ns)[missed]
        if 2 * int(waits.sum()) >= scene.until_ns - scene.from_ns:
            text = (
                f"{scene.case.master_name(groups.masters[master])} meanwhile waited {duration(int(waits.sum()))} for "
                f"{counted(len(waits), 'reply', 'replies')} of other devices"
            )
            frames = scene.case.request_frames(rows[missed].tolist())
            return Cause("starved-by-neighbour", "likely", text, frames)
    return None


def _dropped(scene: Scene) -> Cause | None:
    """The master asked other devices meanwhile, and this one not."""
    if not len(scene.others) or scene.is_asked or len(scene.unanswered):
        return None
    text = (
        f"its masters sent {counted(len(scene.others), 'request')} to other devices meanwhile and none that feeds "
        "this one; why they did not ask is not visible on the wire"
    )
    return Cause("poll-dropped", "likely", text, scene.case.request_frames(scene.others[:2].tolist()))


def _not_heard(scene: Scene) -> Cause | None:
    """Nothing of the masters at all, while others are still heard."""
    own = scene.events[(scene.events[:, E_SIDE] == CLIENT) & (scene.events[:, E_KIND] != UNRECORDED)]
    heard = (own[:, E_TIME_NS] < scene.nearly_until_ns).any()
    if heard or scene.is_asked or len(scene.unanswered) or len(scene.others):
        return None
    text = (
        "its masters were not heard at all meanwhile: stopped, or cut off before the mirror port; one recording cannot "
        "tell which"
    )
    frames = scene.case.request_frames(
        r for r in (scene.silence.before, scene.silence.after) if r is not None
    )
    return Cause("master-not-heard", "likely", text, frames)


def _missing_replies(scene: Scene) -> Cause | None:
    if not len(scene.unanswered):
        return None
    text = f"{counted(len(scene.unanswered), 'request')} stayed without a timely reply"
    return Cause("device-unreachable", "open", text, scene.case.request_frames(scene.unanswered.tolist()))


TABLE: tuple[Callable[[Scene], Cause | None], ...] = (
    recording_gap,
    _refused,
    _unreachable,
    _stalled,
    _ended,
    _not_fed,
    _starved,
    _dropped,
    _missing_replies,
    _not_heard,
)
