"""A silence in, whether the recording itself may be to blame out: bytes, replies or frames that it lacks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.hearing import background_of
from mbsniff.diagnose.lines import one_of
from mbsniff.diagnose.scene import Scene
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import (
    E_AMOUNT,
    E_CONNECTION,
    E_FROM_NS,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LONGEST_WAIT_NS,
    UNKNOWN,
)
from mbsniff.wire.rows import CLIENT, SERVER, UNRECORDED

STANDS_OUT = 2  # a stretch without frames is so many times as long as any other


def bytes_unrecorded(scene: Scene) -> Seen:
    """The recording lacks bytes of the masters that feed."""
    silence, case = scene.silence, scene.case
    since = silence.until_ns - silence.shortest_ns
    lost = case.events(scene.device, since, silence.until_ns + LONGEST_WAIT_NS)
    lost = lost[(lost[:, E_KIND] == UNRECORDED) & (lost[:, E_SIDE] == CLIENT)]
    lost = lost[lost[:, E_FROM_NS] <= silence.until_ns]
    pairs = case.exchange.connection_pair[lost[:, E_CONNECTION]]
    lost = lost[one_of(case.figures.groups.master_of_pair[pairs], scene.feeders)]
    if not len(lost):
        return ABSENT
    count = int(lost[:, E_AMOUNT].sum())
    text = f"the recording lacks {counted(count, 'byte')} that the masters sent meanwhile"
    return Seen(True, text, case.event_frames(lost))


def replies_unrecorded(scene: Scene) -> Seen:
    """The recording lacks replies that would have confirmed feeds."""
    feeding = [poll.row for poll in scene.device.polls if poll.feeds]
    unknown = scene.further[scene.statuses(scene.further) == UNKNOWN]
    unknown = unknown[np.isin(scene.case.exchange.poll[unknown], feeding)]
    if not len(unknown):
        return ABSENT
    text = (
        f"the recording lacks bytes in which the replies to {counted(len(unknown), 'request')} may have been"
    )
    return Seen(True, text, scene.case.request_frames(unknown.tolist()))


def blank_recording(scene: Scene) -> Seen:
    """Nothing at all was recorded for so long that the rest of the silence kept to the timeout."""
    silence = scene.silence
    blank = _blank_ns(scene)
    near_miss = silence.shortest_ns <= scene.limit_ns
    if not blank or silence.shortest_ns - blank > (silence.shortest_ns // 2 if near_miss else scene.limit_ns):
        return ABSENT
    background = background_of(scene.case)
    if background and background.explains(blank):
        return ABSENT
    text = (
        f"no frame of any kind was recorded for {duration(blank)} of it; a silent plant and a recorder "
        "that stopped look alike"
    )
    return Seen(True, text, scene.case.request_frames([silence.before]))


def _blank_ns(scene: Scene) -> int:
    silence = scene.silence
    return blank_within(scene.case.facts.blanks, silence.until_ns - silence.shortest_ns, silence.until_ns)


def blank_within(blanks: NDArray[np.int64], from_ns: int, until_ns: int) -> int:
    """The longest stretch without any frame, as far as it lies between two times."""
    if not len(blanks):
        return 0
    inside = np.minimum(blanks[:, 1], until_ns) - np.maximum(blanks[:, 0], from_ns)
    return int(max(inside.max(), 0))


def blank_stands_out(scene: Scene) -> Seen:
    """Frames come so much more often in the rest of the recording that the stretch without any is no habit."""
    facts, blank = scene.case.facts, _blank_ns(scene)
    lengths = np.sort(facts.blanks[:, 1] - facts.blanks[:, 0])
    second = int(lengths[-2]) if len(lengths) > 1 else 0
    if not blank or STANDS_OUT * second > blank or facts.span_ns < 2 * blank:
        return ABSENT
    usual = f"at least every {duration(second)}" if second else "at least every second"
    return Seen(True, f"otherwise frames come {usual}", scene.case.request_frames([scene.silence.before]))


def one_direction(scene: Scene) -> Seen:
    """Nothing that the endpoint sent is in the recording at all."""
    case = scene.case
    if any(d.answered or d.statuses["orphan"] for d in case.devices_at(scene.device)):
        return ABSENT
    events = case.events(scene.device, 0, 1 << 62)
    if ((events[:, E_SIDE] == SERVER) & (events[:, E_KIND] != UNRECORDED)).any():
        return ABSENT
    rows = case.transactions(scene.device)[:8]
    if len(rows) and (case.exchange.ack_ns[case.transactions(scene.device)] >= 0).any():
        return ABSENT
    return Seen(
        True,
        "the recording has nothing that the device sent, at any time",
        case.request_frames(rows.tolist()),
    )


def clock_stepped(scene: Scene) -> Seen:
    """The recorder's clock goes back somewhere, so that lengths are not to be trusted."""
    steps = len(scene.case.facts.steps)  # not what a recorder with several queues writes in disorder
    if not steps:
        return ABSENT
    text = f"the recorder's clock goes back {counted(steps, 'time')}"
    return Seen(True, text, scene.case.request_frames([scene.silence.before]))


def frames_lost(scene: Scene) -> Seen:
    """Bytes of anybody, to whomever, that TCP shows to be lacking from about the time of the silence."""
    case = scene.case
    lost = case.once("lost", lambda: case.exchange.events[case.exchange.events[:, E_KIND] == UNRECORDED])
    lost = lost[(lost[:, E_TIME_NS] >= scene.from_ns) & (lost[:, E_FROM_NS] <= scene.until_ns)]
    lost = lost[lost[:, E_TIME_NS] <= scene.until_ns + LONGEST_WAIT_NS]
    if not len(lost):
        return ABSENT
    text = f"the recording lacks {counted(int(lost[:, E_AMOUNT].sum()), 'byte')} from about that time"
    return Seen(True, text, case.event_frames(lost))
