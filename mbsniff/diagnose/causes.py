"""A silence in, the cause that the recorded evidence argues for out: the first row of the table that fits.

Only what one mirror port shows is used. Where it cannot tell neighbouring causes apart, the wider one is
named, as likely or open.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Certainty, Evidence
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import (
    E_AMOUNT,
    E_FROM_NS,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LATE,
    ORPHAN,
    STATUS_MASK,
    UNANSWERED,
)
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, OPENING, RESET, SERVER, UNRECORDED


@dataclass(frozen=True)
class Scene:
    """What the recording shows of a silence and the exchange just before it."""

    case: Case
    device: DeviceFigures
    silence: Silence
    limit_ns: int
    events: NDArray[np.int64]
    """Link events of the endpoint from the last feed to the next."""
    unanswered: NDArray[np.int32]
    """The device's requests without a timely reply that were outstanding then."""

    def of_kind(self, kind: int, side: int) -> NDArray[np.int64]:
        """The events of one kind by one side."""
        chosen = (self.events[:, E_KIND] == kind) & (self.events[:, E_SIDE] == side)
        return np.asarray(self.events[chosen], np.int64)


@dataclass(frozen=True)
class Cause:
    """What a silence is put down to."""

    code: str
    certainty: Certainty
    text: str
    evidence: tuple[Evidence, ...]


def cause_of(case: Case, device: DeviceFigures, silence: Silence, limit_ns: int) -> Cause:
    """The first cause of the table whose evidence is there."""
    events = case.events(device, silence.from_ns, silence.until_ns)
    rows = case.transactions(device)
    times = case.exchange.request_ns[rows]
    kinds = case.exchange.status[rows] & STATUS_MASK
    inside = (times >= silence.from_ns) & (times < silence.until_ns)
    missed = inside & ((kinds == UNANSWERED) | (kinds == LATE))
    scene = Scene(case, device, silence, limit_ns, events, rows[missed])
    for argue in TABLE:
        cause = argue(scene)
        if cause:
            return cause
    return Cause("none-seen", "open", "the recording shows no communication cause", ())


def _recording_gap(scene: Scene) -> Cause | None:
    """The recording itself lacks what could have been a feed."""
    silence, facts = scene.silence, scene.case.facts
    since = silence.until_ns - silence.shortest_ns
    lost = scene.case.events(scene.device, since, silence.until_ns + 60_000_000_000)
    lost = lost[(lost[:, E_KIND] == UNRECORDED) & (lost[:, E_SIDE] == CLIENT)]
    lost = lost[lost[:, E_FROM_NS] <= silence.until_ns]
    if len(lost):
        count = int(lost[:, E_AMOUNT].sum())
        text = f"the recording lacks {counted(count, 'byte')} that the masters sent meanwhile"
        return Cause("recording-gap", "likely", text, scene.case.event_frames(lost))
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
    """Attempts to connect are answered by a reset."""
    attempts = scene.of_kind(OPENING, CLIENT)
    resets = scene.of_kind(RESET, SERVER)
    if len(attempts) < 1 or len(resets) < 2 or len(scene.of_kind(ACCEPTED, SERVER)) > 1:
        return None
    text = f"{counted(len(attempts), 'attempt')} to connect, answered by {counted(len(resets), 'reset')}"
    return Cause("connect-refused", "likely", text, scene.case.event_frames(resets))


def _unreachable(scene: Scene) -> Cause | None:
    """What the master sends is neither acknowledged nor answered."""
    again = scene.of_kind(AGAIN, CLIENT)
    attempts = scene.of_kind(OPENING, CLIENT)
    accepted = scene.of_kind(ACCEPTED, SERVER)
    unheard = len(attempts) - len(accepted)
    if not len(again) and unheard < 1:
        return None
    if _heard_meanwhile(scene):
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
    silence = scene.silence
    margin = silence.length_ns // 10
    late = scene.events[:, E_TIME_NS] < silence.until_ns - margin
    early = scene.events[:, E_TIME_NS] > silence.from_ns + margin
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
    after = duration(int(ends[0, E_TIME_NS]) - scene.silence.from_ns)
    text = f"the {who} {how} the connection {after} after the last request"
    return Cause("connection-ended", "likely", text, scene.case.event_frames(ends))


def _starved(scene: Scene) -> Cause | None:
    """The master waited for another device's replies meanwhile."""
    busy = _of_other_devices(scene)
    kinds = scene.case.exchange.status[busy] & STATUS_MASK
    missed = busy[(kinds == UNANSWERED) | (kinds == LATE)]
    if not len(missed) or len(scene.unanswered):
        return None
    text = f"the master meanwhile waited for {counted(len(missed), 'reply', 'replies')} of other devices"
    return Cause("starved-by-neighbour", "likely", text, scene.case.request_frames(missed.tolist()))


def _dropped(scene: Scene) -> Cause | None:
    """The master asked other devices meanwhile, and this one not."""
    busy = _of_other_devices(scene)
    if not len(busy) or len(scene.unanswered):
        return None
    text = (
        f"its masters sent {counted(len(busy), 'request')} to other devices meanwhile and none to this one; "
        "why they did not ask is not visible on the wire"
    )
    return Cause("poll-dropped", "likely", text, scene.case.request_frames(busy[:2].tolist()))


def _of_other_devices(scene: Scene) -> NDArray[np.int32]:
    """Transactions of this device's masters with other endpoints during the silence."""
    exchange = scene.case.exchange
    groups = scene.case.figures.groups
    own = [groups.masters.index(master) for master in scene.device.masters]
    chosen = np.isin(groups.master_of_poll, own)
    endpoint = np.array(
        [
            (exchange.pairs[key.pair].server, exchange.pairs[key.pair].port)
            != (scene.device.address, scene.device.port)
            for key in groups.keys
        ],
        bool,
    )
    inside = scene.case.requests_between(scene.silence.from_ns, scene.silence.until_ns)
    inside = inside[(exchange.status[inside] & STATUS_MASK) != ORPHAN]
    return np.asarray(inside[(chosen & endpoint)[exchange.poll[inside]]], np.int32)


def _not_heard(scene: Scene) -> Cause | None:
    """Nothing of the masters at all, while others are still heard."""
    if len(scene.unanswered) or len(scene.events):
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
    _recording_gap,
    _refused,
    _unreachable,
    _stalled,
    _ended,
    _starved,
    _dropped,
    _missing_replies,
    _not_heard,
)
