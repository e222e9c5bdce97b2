"""Link events of a device's endpoint in, moments out: attempts to connect and what came of them, ends, repeats."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.diagnose.wording import counted
from mbsniff.exchange.columns import E_AMOUNT, E_CONNECTION, E_FRAME, E_KIND, E_SIDE, E_TIME_NS
from mbsniff.story.moments import Moment
from mbsniff.story.names import called, master_called
from mbsniff.story.scope import Scope
from mbsniff.wire.control import UNSEEN
from mbsniff.wire.rows import (
    ACCEPTED,
    ACKNOWLEDGED,
    AGAIN,
    CLIENT,
    CLOSING,
    OPENING,
    PROBE,
    RESET,
    SERVER,
    UNRECORDED,
    WINDOW_CLOSED,
    WINDOW_OPENED,
)

# What an event by the master, or by the device, is told as.
TOLD: dict[tuple[int, int], str] = {
    (AGAIN, CLIENT): "sent-again", (AGAIN, SERVER): "replied-again",
    (PROBE, CLIENT): "probed", (PROBE, SERVER): "probed",
    (CLOSING, CLIENT): "closed", (CLOSING, SERVER): "closed",
    (RESET, CLIENT): "reset", (RESET, SERVER): "reset",
    (WINDOW_CLOSED, CLIENT): "window-closed", (WINDOW_CLOSED, SERVER): "window-closed",
    (WINDOW_OPENED, CLIENT): "window-opened", (WINDOW_OPENED, SERVER): "window-opened",
    (UNRECORDED, CLIENT): "bytes-missing", (UNRECORDED, SERVER): "bytes-missing",
}  # fmt: skip


@dataclass
class _Attempt:
    """An attempt to connect whose outcome is awaited."""

    time_ns: int
    frames: list[int] = field(default_factory=list)
    accepted: bool = False


def link_moments(scope: Scope) -> Iterator[Moment]:
    """All that happened on the device's connections."""
    events = scope.case.events(scope.device, scope.lead_ns, scope.tail_ns)
    events = events[np.argsort(events[:, E_CONNECTION], kind="stable")]
    connections, begins = np.unique(events[:, E_CONNECTION], return_index=True)
    for connection, own in zip(connections.tolist(), np.split(events, begins[1:]), strict=False):
        pair = scope.case.exchange.pairs[int(scope.case.exchange.connection_pair[connection])]
        yield from _of_connection(own, master_called(scope.case, pair.client), called(scope.device))


def _of_connection(events: NDArray[np.int64], master: str, device: str) -> Iterator[Moment]:
    waiting: _Attempt | None = None
    ended = -1
    for event in events.tolist():
        kind, side, at_ns, frame = (event[c] for c in (E_KIND, E_SIDE, E_TIME_NS, E_FRAME))
        if kind == OPENING and event[E_AMOUNT] == UNSEEN:
            continue
        if kind == OPENING and side == CLIENT:
            if waiting and event[E_AMOUNT] == 0:
                yield _outcome(waiting, master, device)
                waiting = None
            waiting = waiting or _Attempt(at_ns)
            waiting.frames.append(frame)
        elif kind == ACCEPTED and side == SERVER:
            waiting = waiting or _Attempt(at_ns)
            waiting.accepted = True
            waiting.frames.append(frame)
        elif kind == ACKNOWLEDGED:
            frames = [*(waiting.frames if waiting else []), frame]
            yield Moment("connected", at_ns, _ends(frames), master, device)
            waiting = None
        elif kind == RESET and side == SERVER and waiting and not waiting.accepted:
            frames = [*waiting.frames, frame]
            yield Moment("connect-refused", waiting.time_ns, _ends(frames), master, device, until_ns=at_ns)
            waiting = None
        elif (kind, side) in TOLD and not (kind == RESET and ended == RESET):
            if kind in (RESET, CLOSING) and waiting:
                yield _outcome(waiting, master, device)
                waiting = None
            code = "closed-too" if kind == CLOSING == ended else TOLD[kind, side]
            yield _plain(code, event, *_sides(side, master, device))
        ended = kind if kind in (RESET, CLOSING) else -1
    if waiting:
        yield _outcome(waiting, master, device)


def _sides(side: int, master: str, device: str) -> tuple[str, str]:
    """(who did it, to whom)."""
    return (master, device) if side == CLIENT else (device, master)


def _plain(code: str, event: list[int], who: str, whom: str) -> Moment:
    what = counted(event[E_AMOUNT], "byte") if code == "bytes-missing" else ""
    return Moment(code, event[E_TIME_NS], (event[E_FRAME],), who, whom, what, group=code)


def _outcome(waiting: _Attempt, master: str, device: str) -> Moment:
    """An attempt that nothing came of."""
    code = "connect-unfinished" if waiting.accepted else "connect-unanswered"
    return Moment(code, waiting.time_ns, _ends(waiting.frames), master, device)


def _ends(frames: list[int]) -> tuple[int, ...]:
    return tuple(dict.fromkeys((min(frames), max(frames))))
