"""A scope in, its marks out: last and first healthy exchange, when the watchdog was due, where the recording ends."""

from __future__ import annotations

from collections.abc import Iterator

from mbsniff.diagnose.wording import duration
from mbsniff.exchange.columns import STATUS_MASK
from mbsniff.story.moments import Moment
from mbsniff.story.names import asked_for, called, master_called
from mbsniff.story.scope import HEALTHY, Scope
from mbsniff.story.times import Times
from mbsniff.story.written import Written

ON_LOSS = {
    "shut-off": "; it then shuts its output off (site file)",
    "hold": "; it then holds its last output (site file)",
}
CLOSE_NS = 500_000_000  # times within which a watchdog was due, this close, are told as one


def mark_moments(scope: Scope, written: list[Written], times: Times) -> Iterator[Moment]:
    """What a story goes from and to."""
    silence = scope.silence
    if silence is None:
        return
    if scope.last is not None:
        yield _exchange(scope, "last-healthy", scope.last, written)
    if silence.before != scope.last:
        yield _feed(scope, "last-feed", silence.before)
    if scope.master is None:
        yield from _due(scope, times)
    if silence.after is not None and silence.after != scope.first:
        yield _feed(scope, "first-feed", silence.after)
    if scope.first is not None:
        yield _exchange(scope, "first-healthy", scope.first, written)
    else:
        yield Moment("recording-ends", max(scope.case.facts.ends_ns or 0, silence.until_ns))


def _exchange(scope: Scope, kind: str, row: int, written: list[Written]) -> Moment:
    exchange = scope.case.exchange
    key = exchange.poll_key(int(exchange.poll[row]))
    values = [w.value_text(k) for w in written for k in _places(w, row)]
    asked = f"write of {values[0]}" if len(values) == 1 else asked_for(key, scope.registers)
    frames = (int(exchange.request_frame[row]), int(exchange.reply_frame[row]))
    master = master_called(scope.case, exchange.pairs[key.pair].client)
    what = f"{asked} by {master}, reply after {duration(int(exchange.reply_ns[row]))}"
    return Moment(kind, int(exchange.request_ns[row]), frames, master, called(scope.device), what)


def _places(written: Written, row: int) -> list[int]:
    found: list[int] = (written.trace.rows == row).nonzero()[0].tolist()
    return found


def _feed(scope: Scope, kind: str, row: int) -> Moment:
    exchange = scope.case.exchange
    key = exchange.poll_key(int(exchange.poll[row]))
    master = master_called(scope.case, exchange.pairs[key.pair].client)
    frame = int(exchange.request_frame[row])
    answered = exchange.status[row] & STATUS_MASK in HEALTHY
    what = f"{asked_for(key, scope.registers)} by {master}{'' if answered else '; no reply'}"
    return Moment(kind, int(exchange.request_ns[row]), (frame,), master, called(scope.device), what)


def due_between(scope: Scope) -> tuple[int, int] | None:
    """From when on the watchdog may have tripped, and by when it must have; None without a timeout or silence.

    The earliest: the timeout after the last request that certainly arrived. The latest: timeout and tolerance after
    the latest moment at which any request may have arrived.
    """
    silence, timeout_ns = scope.silence, scope.device.limits.watchdog_ns
    if silence is None or not timeout_ns or scope.limit_ns is None:
        return None
    certainly_ns = scope.from_ns if scope.last is not None else silence.from_ns
    latest_ns = silence.until_ns - silence.shortest_ns
    return certainly_ns + timeout_ns, latest_ns + scope.limit_ns


def due_text(scope: Scope, times: Times) -> str | None:
    """When the watchdog was due, as the end of a sentence; None where it was not."""
    due = due_between(scope)
    if due is None or scope.silence is None or due[0] > scope.silence.until_ns:
        return None
    earliest, latest = due
    if scope.is_doubted:
        return f"may have been due from {times.clock(earliest)} on, but the recording lacks what could have fed it"
    if not scope.silence.certain:
        return f"may have been due from {times.clock(earliest)} on"
    if latest - earliest <= CLOSE_NS:
        return f"was due at about {times.clock(earliest)}"
    return f"was due between {times.clock(earliest)} and {times.clock(latest)}"


def _due(scope: Scope, times: Times) -> Iterator[Moment]:
    due, text = due_between(scope), due_text(scope, times)
    if due is None or text is None or scope.silence is None:
        return
    then = ON_LOSS.get(scope.device.limits.on_loss or "", "")
    if scope.is_doubted:
        text, then = "may have been due, had nothing fed it that the recording lacks", ""
    elif not scope.silence.certain:
        text = "may have been due from here on"
    else:
        text = (
            "was due" if due[1] - due[0] <= CLOSE_NS else f"was due, at {times.clock(due[1])} at the latest"
        )
    timeout = duration(scope.device.limits.watchdog_ns or 0)
    yield Moment("watchdog-due", due[0], whom=called(scope.device), what=f"({timeout}) {text}{then}")
