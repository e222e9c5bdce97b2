"""A silence in, what the device made of the requests that did come out: acknowledged, late, refused, not feeding."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from mbsniff.diagnose.causes.links import answered
from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.lines import one_of
from mbsniff.diagnose.scene import IN_TIME, Rows, Scene
from mbsniff.diagnose.wording import counted, duration
from mbsniff.exchange.columns import E_AMOUNT, E_KIND, E_SIDE, E_TIME_NS, LATE
from mbsniff.wire.control import SENT_AGAIN
from mbsniff.wire.functions import EXCEPTIONS
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLOSING, RESET, SERVER, UNRECORDED, WINDOW_CLOSED

ENDS_NS = 1_000_000_000  # a close or reset in answer to a request comes at once
TARGET_CODES = (0x0A, 0x0B)  # a gateway about what lies behind it (V1.1b3, 7)


def acknowledged(scene: Scene) -> Seen:
    """The device's TCP took requests, but no reply came in time."""
    acked = scene.unanswered[scene.case.exchange.ack_ns[scene.unanswered] >= 0]
    if not len(acked):
        return ABSENT
    text = f"the device's TCP acknowledged {counted(len(acked), 'request')}, but no reply came"
    return Seen(True, text, scene.case.request_frames(acked.tolist()))


def window_closed(scene: Scene) -> Seen:
    """The device's TCP announced a window of 0 (RFC 9293, 3.8.6.1: it takes no more)."""
    closed = scene.of_kind(WINDOW_CLOSED, SERVER)
    if not len(closed):
        return ABSENT
    text = f"its TCP closed its window {counted(len(closed), 'time')}"
    return Seen(True, text, scene.case.event_frames(closed))


def missing_replies(scene: Scene) -> Seen:
    """Requests stayed without a timely reply, acknowledged or not; not those that an end of the connection answered."""
    rows = scene.unanswered
    ends = scene.events[
        one_of(scene.events[:, E_KIND], (RESET, CLOSING)) & (scene.events[:, E_SIDE] == SERVER)
    ]
    asked = scene.case.exchange.request_ns[rows]
    following = np.searchsorted(ends[:, E_TIME_NS], asked)
    when = np.append(ends[:, E_TIME_NS], np.iinfo(np.int64).max)[following]
    rows = rows[when - asked > ENDS_NS]
    if not len(rows):
        return ABSENT
    text = f"{counted(len(rows), 'request')} stayed without a timely reply"
    return Seen(True, text, scene.case.request_frames(rows.tolist()))


def late_replies(scene: Scene) -> Seen:
    """At least half of the requests without a timely reply got one after the master had gone on, two at least."""
    late = scene.unanswered[scene.statuses(scene.unanswered) == LATE]
    if len(late) < 2 or 2 * len(late) < len(scene.unanswered):
        return ABSENT
    slowest = int(scene.case.exchange.reply_ns[late].max())
    text = (
        f"{counted(len(late), 'reply', 'replies')} came after the master had gone on, up to {duration(slowest)} after "
        "the request"
    )
    return Seen(True, text, scene.case.reply_frames(late.tolist()))


def device_heard(scene: Scene) -> Seen:
    """Something of the device while the masters tried, repetitions apart: replies, acknowledgements, link events."""
    exchange, rows = scene.case.exchange, scene.endpoint_rows
    replied = np.concatenate([answered(scene, scene.while_tried, of_feeders=own) for own in (True, False)])
    acked = rows[exchange.ack_ns[rows] >= 0]
    acked = acked[scene.while_tried(exchange.request_ns[acked] + exchange.ack_ns[acked])]
    taken = scene.unanswered[exchange.ack_ns[scene.unanswered] >= 0]
    events = scene.all_events[scene.all_events[:, E_SIDE] == SERVER]
    events = events[~one_of(events[:, E_KIND], (AGAIN, UNRECORDED))]
    events = events[(events[:, E_KIND] != ACCEPTED) | (events[:, E_AMOUNT] != SENT_AGAIN)]
    events = events[scene.while_tried(events[:, E_TIME_NS])]
    rows = np.unique(np.concatenate([acked, taken, replied]))
    if not len(rows) + len(events):
        return ABSENT
    frames = (*scene.case.event_frames(events[:4]), *scene.case.request_frames(rows[:4].tolist()))
    return Seen(True, f"the device was heard {counted(len(rows) + len(events), 'time')} meanwhile", frames)


def _settled(scene: Scene) -> Rows:
    """Requests that came through after the last feed, where they would have kept the watchdog fed by their times."""
    if "settled" not in scene.told:
        scene.told["settled"] = _settling(scene)
    rows: Rows = scene.told["settled"]
    return rows


def _settling(scene: Scene) -> Rows:
    rows = scene.further[one_of(scene.statuses(scene.further), IN_TIME)]
    if not len(rows) or len(scene.unanswered):
        return rows[:0]
    times = [scene.from_ns, *scene.case.exchange.request_ns[rows].tolist(), scene.until_ns]
    longest = max(b - a for a, b in pairwise(times))
    near_miss = scene.silence.shortest_ns <= scene.limit_ns
    within = (scene.until_ns - scene.from_ns) // 2 if near_miss else scene.limit_ns
    return rows if longest <= within else rows[:0]


def _refused(scene: Scene) -> tuple[Rows, set[int]]:
    """Those of them that got an exception, where most did; and the codes."""
    rows = _settled(scene)
    codes = scene.case.exchange.exception[rows]
    refused = rows[codes != 0]
    return (refused, set(codes[codes != 0].tolist())) if 2 * len(refused) > len(rows) else (rows[:0], set())


def _exceptions(scene: Scene) -> Seen:
    rows, codes = _refused(scene)
    names = ", ".join(f"{code:02X} {EXCEPTIONS[code].name}" for code in sorted(codes) if code in EXCEPTIONS)
    asked = counted(len(_settled(scene)), "request")
    text = f"{len(rows):,} of {asked} got nothing but an exception" + (f" ({names})" if names else "")
    return Seen(True, text, scene.case.reply_frames(rows.tolist()))


def target_exceptions(scene: Scene) -> Seen:
    """Most requests got an exception, 0A or 0B each time (V1.1b3, 7)."""
    codes = _refused(scene)[1]
    return _exceptions(scene) if codes and codes <= set(TARGET_CODES) else ABSENT


def other_exceptions(scene: Scene) -> Seen:
    """Most requests got an exception, and not only a gateway's about its target."""
    codes = _refused(scene)[1]
    return _exceptions(scene) if codes and not codes <= set(TARGET_CODES) else ABSENT


def asked_itself(scene: Scene) -> Seen:
    """Requests of the masters that feed it came well within the silence, whatever became of them."""
    rows = scene.further[scene.amid(scene.case.exchange.request_ns[scene.further])]
    if not len(rows):
        return ABSENT
    text = f"it got {counted(len(rows), 'request')} meanwhile"
    return Seen(True, text, scene.case.request_frames(rows.tolist()))


def unfeeding_requests(scene: Scene) -> Seen:
    """Requests of the masters that feed it came through, often enough, but none that feeds."""
    rows = _settled(scene)
    if not len(rows) or len(_refused(scene)[0]):
        return ABSENT
    text = f"{counted(len(rows), 'request')} came meanwhile, but none that feeds this watchdog"
    return Seen(True, text, scene.case.reply_frames(rows.tolist()))


def other_units_served(scene: Scene) -> Seen:
    """Another unit of the same endpoint was answered without an exception meanwhile."""
    exchange, groups = scene.case.exchange, scene.case.figures.groups
    rows = scene.endpoint_rows
    rows = rows[groups.device_of_poll[exchange.poll[rows]] != scene.device.index]
    rows = rows[one_of(scene.statuses(rows), IN_TIME) & (exchange.exception[rows] == 0)]
    rows = rows[scene.amid(exchange.request_ns[rows])]
    if not len(rows):
        return ABSENT
    text = f"other units of the same endpoint answered {counted(len(rows), 'time')}"
    return Seen(True, text, scene.case.reply_frames(rows[:4].tolist()))


def accepted_meanwhile(scene: Scene) -> Seen:
    """The device's TCP accepted connections meanwhile."""
    accepted = scene.of_kind(ACCEPTED, SERVER)
    accepted = accepted[scene.amid(accepted[:, E_TIME_NS]) & (accepted[:, E_AMOUNT] != SENT_AGAIN)]
    if not len(accepted):
        return ABSENT
    text = f"its TCP even accepted {counted(len(accepted), 'connection')}"
    return Seen(True, text, scene.case.event_frames(accepted))
