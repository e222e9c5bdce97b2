"""An endpoint's receive windows in, the stretches for which its program took nothing out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.diagnose.case import found
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.patterns.ground import SECOND_NS, Ground, Longs, trusted
from mbsniff.diagnose.wording import clock, counted, duration
from mbsniff.exchange.columns import E_CONNECTION, E_KIND, E_SIDE, E_TIME_NS
from mbsniff.wire.rows import CLOSING, OPENING, RESET, SERVER, WINDOW_CLOSED, WINDOW_OPENED

CLOSED_NS = SECOND_NS  # shorter ones are a program that is busy for a moment
MOST_LOOKED_AT = 1_000
ENDS = (WINDOW_OPENED, OPENING, CLOSING, RESET)


def window_patterns(ground: Ground) -> Iterator[Finding]:
    """The device's TCP answers, but its program has stopped reading."""
    if not ground.count(WINDOW_CLOSED):
        return
    closed = ground.events_of(WINDOW_CLOSED)
    closed = closed[closed[:, E_SIDE] == SERVER][:MOST_LOOKED_AT]
    ends = [_end(ground, one) for one in closed]
    lengths = [(ground.case.facts.ends_ns or 0 if end is None else int(end[E_TIME_NS])) for end in ends]
    lasting = [
        (at, until, end) for at, until, end in zip(closed, lengths, ends, strict=True) if _lasts(at, until)
    ]
    if not lasting:
        return
    at, until, end = max(lasting, key=lambda one: one[1] - int(one[0][E_TIME_NS]))
    begins = int(at[E_TIME_NS])
    frames = np.stack([at] if end is None else [at, end])
    how = "to the recording's end" if end is None else "until the connection ended"
    if end is not None and end[E_KIND] == WINDOW_OPENED:
        how = "until it opened again"
    text = (
        f"its receive window was closed {counted(len(lasting), 'time')} for a second or more, at longest for "
        f"{duration(until - begins)} from {clock(begins)}, {how}"
    )
    span = (int(lasting[0][0][E_TIME_NS]), max(one[1] for one in lasting))
    yield found(
        "window-closed", "fault", ground.device, text, at=span, evidence=ground.case.event_frames(frames),
        certainty=trusted(ground.case, ground.device, (begins, until), "certain", side=SERVER),
    )  # fmt: skip


def _lasts(event: Longs, until_ns: int) -> bool:
    return until_ns - int(event[E_TIME_NS]) >= CLOSED_NS


def _end(ground: Ground, closed: Longs) -> Longs | None:
    """What ended it: the window opened again, or the connection was ended or begun anew."""
    events = ground.events_on(int(closed[E_CONNECTION]), *ENDS)
    own = (events[:, E_KIND] != WINDOW_OPENED) | (events[:, E_SIDE] == SERVER)
    later = events[own & (events[:, E_TIME_NS] >= closed[E_TIME_NS])]
    return later[0] if len(later) else None
