"""A silence in, what became of the masters' connections to the device meanwhile out: tried, refused, ended, resumed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.causes.hosts import device_announced
from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.finding import Evidence
from mbsniff.diagnose.lines import Longs, one_of
from mbsniff.diagnose.scene import IN_TIME, Rows, Scene, endpoint_rows
from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS
from mbsniff.wire.control import SENT_AGAIN
from mbsniff.wire.rows import ACCEPTED, AGAIN, CLIENT, CLOSING, OPENING, RESET, SERVER

AT_ONCE_NS = 3_000_000_000  # after the last repetition in vain: no link comes back just then by chance
PUSHED_NS = 1_000_000_000  # a device that takes the oldest connection's place away does so at once
ANSWERS_NS = 1_000_000_000  # a reset in answer to data comes at once; this leaves room for the network
QUIET_NS = 1_000_000_000  # that long the device was not heard before it answered old data by a reset
RESUMES_NS = 10_000_000_000  # that long after a silence other masters' repetitions may still take


def attempts_unanswered(scene: Scene) -> Seen:
    """SYNs to the device without any answer."""
    unheard = scene.unheard
    if not len(unheard):
        return ABSENT
    text = f"{counted(len(unheard), 'attempt')} to connect without an answer"
    return Seen(True, text, scene.case.event_frames(unheard))


def attempts_refused(scene: Scene) -> Seen:
    """SYNs to the device that a reset answered, more than stayed unanswered."""
    refusals, attempts = scene.refusals, scene.attempts
    if not len(refusals) or len(scene.unheard) > len(refusals):
        return ABSENT
    text = f"{counted(len(attempts), 'attempt')} to connect, {len(refusals)} of them answered by a reset"
    return Seen(True, text, scene.case.event_frames(refusals))


def sent_again_unacknowledged(scene: Scene) -> Seen:
    """TCP sent requests again, and nothing came back to these masters while they tried."""
    again = scene.of_kind(AGAIN, CLIENT)
    acked = (scene.case.exchange.ack_ns[scene.unanswered] >= 0).any()
    if not len(again) or acked or len(answered(scene, scene.while_tried, of_feeders=True)):
        return ABSENT
    text = f"requests sent again {counted(len(again), 'time')} without an acknowledgement"
    return Seen(True, text, scene.case.event_frames(again))


def answered(scene: Scene, when: Callable[[Longs], NDArray[np.bool_]], *, of_feeders: bool) -> Rows:
    """Requests to any unit of the endpoint, of the feeders or of all others, whose replies came at such times."""
    case, rows = scene.case, scene.endpoint_rows
    groups, exchange = case.figures.groups, case.exchange
    own = one_of(groups.master_of_poll[exchange.poll[rows]], scene.feeders)
    rows = rows[(own == of_feeders) & one_of(scene.statuses(rows), IN_TIME)]
    return np.asarray(rows[when(exchange.request_ns[rows] + exchange.reply_ns[rows])], np.int32)


def sent_by_device_again(scene: Scene) -> Seen:
    """The device's TCP sent replies or its part of handshakes again: the masters acknowledge nothing of it."""
    again = scene.of_kind(AGAIN, SERVER)
    accepted = scene.of_kind(ACCEPTED, SERVER)
    accepted = accepted[accepted[:, E_AMOUNT] == SENT_AGAIN]
    if len(again) + len(accepted) < 2:
        return ABSENT
    parts = [f"its replies sent again {counted(len(again), 'time')}"] * (len(again) > 0)
    parts += [f"connections accepted again {counted(len(accepted), 'time')}"] * (len(accepted) > 0)
    return Seen(
        True,
        f"the device is heard, but not acknowledged: {' and '.join(parts)}",
        scene.case.event_frames(np.concatenate([again[:4], accepted[:4]])),
    )


def connection_ended(scene: Scene) -> Seen:
    """A connection of the masters to the device was closed or reset, before they came back."""
    ends = _ends(scene)
    if not len(ends):
        return ABSENT
    who = "master" if ends[0, E_SIDE] == CLIENT else "device"
    how = "reset" if ends[0, E_KIND] == RESET else "closed"
    after = duration(max(int(ends[0, E_TIME_NS]) - scene.from_ns, 0))
    text = f"the {who} {how} the connection {after} after the last request"
    return Seen(True, text, scene.case.event_frames(ends))


def _ends(scene: Scene) -> Longs:
    ends = scene.events[one_of(scene.events[:, E_KIND], (CLOSING, RESET))]
    return ends[ends[:, E_TIME_NS] < scene.nearly_until_ns]


def ended_by_device(scene: Scene) -> Seen:
    """The first end was the device's."""
    ends = _ends(scene)
    if not len(ends) or ends[0, E_SIDE] != SERVER:
        return ABSENT
    return Seen(True, "the device itself ended its connection first", scene.case.event_frames(ends[:1]))


def connection_stayed(scene: Scene) -> Seen:
    """Nothing opened, ended or repeated on the masters' connections to the device, up to the next request."""
    kinds = (OPENING, ACCEPTED, CLOSING, RESET, AGAIN)
    if one_of(scene.events[:, E_KIND], kinds).any():
        return ABSENT
    rows = [r for r in (scene.silence.before, scene.silence.after) if r is not None]
    return Seen(True, "their connection stayed open and quiet", scene.case.request_frames(rows))


def pushed_out(scene: Scene) -> Seen:
    """The device ended the connection right after it had accepted another master's."""
    ends = _ends(scene)
    if not len(ends) or ends[0, E_SIDE] != SERVER:
        return ABSENT
    pairs = scene.case.exchange.connection_pair
    moment = int(ends[0, E_TIME_NS])
    events = scene.case.events(scene.device, moment - PUSHED_NS, moment)
    came = events[(events[:, E_KIND] == ACCEPTED) & (events[:, E_AMOUNT] != SENT_AGAIN)]
    came = came[pairs[came[:, E_CONNECTION]] != pairs[ends[0, E_CONNECTION]]]
    if not len(came):
        return ABSENT
    client = scene.case.master_name(
        scene.case.exchange.pairs[pairs[came[-1, E_CONNECTION]]].client,
    )
    text = (
        f"{duration(moment - int(came[-1, E_TIME_NS]))} after it had accepted {client}: it made room for it"
    )
    return Seen(True, text, scene.case.event_frames(np.stack([came[-1], ends[0]])))


def others_served(scene: Scene) -> Seen:
    """The device answered other masters well within the silence."""
    rows = answered(scene, scene.amid, of_feeders=False)
    if not len(rows):
        return ABSENT
    groups = scene.case.figures.groups
    who = np.unique(groups.master_of_poll[scene.case.exchange.poll[rows]]).tolist()
    names = listed([scene.case.master_name(groups.masters[m]) for m in who], 2)
    text = f"{names} got {counted(len(rows), 'reply', 'replies')} from it meanwhile"
    return Seen(True, text, scene.case.reply_frames(rows[:4].tolist()))


def new_connection_at_once(scene: Scene) -> Seen:
    """The first new attempt after the repetitions was accepted, shortly after the last of them had gone unanswered."""
    again = scene.of_kind(AGAIN, CLIENT)
    attempts = scene.attempts
    if not len(again) or not len(attempts):
        return ABSENT
    accepted = scene.of_kind(ACCEPTED, SERVER)
    first = attempts[0]
    answers = accepted[accepted[:, E_CONNECTION] == first[E_CONNECTION]]
    waited = int(first[E_TIME_NS]) - int(again[-1, E_TIME_NS])
    elsewhere = first[E_CONNECTION] != again[-1, E_CONNECTION]
    if not len(answers) or len(attempts) > 1 or not elsewhere or not 0 <= waited <= AT_ONCE_NS:
        return ABSENT
    text = (
        f"a new connection was accepted at once, {duration(waited)} after the last repetition on the old one"
    )
    return Seen(True, text, scene.case.event_frames(np.stack([again[-1], first, answers[0]])))


def old_connection_resumes(scene: Scene) -> Seen:
    """A connection on which data was sent again in vain goes on afterwards: its device had not started anew."""
    case, exchange = scene.case, scene.case.exchange
    until = scene.until_ns + RESUMES_NS
    events = case.events(scene.device, scene.from_ns, until)
    again = events[(events[:, E_KIND] == AGAIN) & (events[:, E_SIDE] == CLIENT)]
    again = again[again[:, E_TIME_NS] < scene.until_ns]
    opened = events[one_of(events[:, E_KIND], (OPENING, RESET))]
    pairs = exchange.connection_pair
    rows = endpoint_rows(case, scene.device, scene.from_ns, until)
    rows = rows[one_of(scene.statuses(rows), IN_TIME)]
    came = exchange.request_ns[rows] + exchange.reply_ns[rows]
    for pair in np.unique(pairs[again[:, E_CONNECTION]]).tolist():
        first = int(again[pairs[again[:, E_CONNECTION]] == pair][0, E_TIME_NS])
        anew = opened[pairs[opened[:, E_CONNECTION]] == pair, E_TIME_NS]
        ends = int(anew.min()) if len(anew) else until
        own = case.figures.groups.pair_of_poll[exchange.poll[rows]] == pair
        back = rows[own & (came >= max(first, scene.nearly_until_ns)) & (came < ends)]
        if len(back):
            client = case.master_name(exchange.pairs[pair].client)
            text = f"the old connection of {client} goes on afterwards"
            return Seen(True, text, case.reply_frames(back[:2].tolist()))
    return ABSENT


def reset_to_old_data(scene: Scene) -> Seen:
    """Silent until then, or having announced itself, the device answered data by a reset (RFC 9293, 3.5.2)."""
    for reset in scene.of_kind(RESET, SERVER):
        asked = _asked_before(scene, reset)
        if asked is not None and (_quiet_before(scene, reset) or device_announced(scene).present):
            after = duration(int(reset[E_TIME_NS]) - scene.from_ns)
            text = f"old data was answered by a reset {after} after the last feed"
            return Seen(True, text, (*asked, *scene.case.event_frames(reset[None])))
    return ABSENT


def _asked_before(scene: Scene, reset: Longs) -> tuple[Evidence, ...] | None:
    """What the reset answers: data sent again just before it on its connection, or a request that got nothing else."""
    moment = int(reset[E_TIME_NS])
    again = scene.of_kind(AGAIN, CLIENT)
    again = again[(again[:, E_CONNECTION] == reset[E_CONNECTION]) & (again[:, E_TIME_NS] <= moment)]
    if len(again) and moment - int(again[-1, E_TIME_NS]) <= ANSWERS_NS:
        return scene.case.event_frames(again[-1:])
    exchange, rows = scene.case.exchange, scene.unanswered
    pair = int(exchange.connection_pair[reset[E_CONNECTION]])
    rows = rows[scene.case.figures.groups.pair_of_poll[exchange.poll[rows]] == pair]
    waited = moment - exchange.request_ns[rows]
    rows = rows[(waited >= 0) & (waited <= ANSWERS_NS)]
    return scene.case.request_frames(rows[-1:].tolist()) if len(rows) else None


def _quiet_before(scene: Scene, reset: Longs) -> bool:
    """Whether nothing was heard of the device for QUIET_NS before the reset, while data was sent again."""
    moment = int(reset[E_TIME_NS])
    own = scene.all_events[scene.all_events[:, E_SIDE] == SERVER]
    own = own[(own[:, E_KIND] != RESET) & (own[:, E_TIME_NS] < moment)]
    heard = (own[:, E_TIME_NS] > moment - QUIET_NS).any()
    return bool(len(scene.of_kind(AGAIN, CLIENT))) and not heard
