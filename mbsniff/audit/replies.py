"""Requirements on how a device answers: no exceptions, in time for its masters, writes echoed as sent."""

from __future__ import annotations

import numpy as np

from mbsniff.audit.echoes import echo_of
from mbsniff.audit.subject import Subject
from mbsniff.audit.verdict import Outcome, met, not_met, open_
from mbsniff.diagnose.wording import counted, duration, listed
from mbsniff.errors import one_line
from mbsniff.exchange.columns import ANSWERED, BY_ORDER, LATE, PIPELINED, STATUS_MASK, UNANSWERED, UNKNOWN
from mbsniff.measure.groups import WRITES
from mbsniff.site import Master
from mbsniff.wire.functions import exception_name

_MATCHED = (ANSWERED, BY_ORDER, PIPELINED, LATE)


def exceptions_limit(subject: Subject) -> str:
    """Always."""
    return "none"


def no_exceptions(subject: Subject) -> Outcome:
    """Exception replies, by code."""
    found = subject.seen.exceptions
    if not found:
        return met("none")
    codes = [f"{count:,} × {_code(code)}" for code, count in sorted(found.items())]
    rows = subject.case.transactions(subject.seen)
    own = rows[subject.case.exchange.exception[rows] != 0]
    return not_met(
        counted(sum(found.values()), "exception"), listed(codes), subject.case.reply_frames(own.tolist())
    )


def _code(code: int) -> str:
    return f"{code:02X} {exception_name(code)}" if code else "without a code"


def timeouts(subject: Subject) -> dict[int, Master]:
    """Rows of the groups' masters: the declared master, where it has a time-out and asked the device."""
    groups = subject.case.figures.groups
    found: dict[int, Master] = {}
    for poll in subject.seen.polls:
        client = subject.client(poll)
        name = subject.case.site.name_of_master(client)
        master = next((m for m in subject.case.site.masters if m.name == name and m.timeout_ns), None)
        if master:
            found[int(groups.pair_of_poll[poll.row])] = master
    return found


def reply_limit(subject: Subject) -> str | None:
    """The time-outs of the masters that asked it, or of all where it was never asked."""
    if subject.figures is None:
        allowed = subject.limits.masters
        stated = [m for m in subject.case.site.masters if m.timeout_ns and (not allowed or m.name in allowed)]
    else:
        stated = list({m.name: m for m in timeouts(subject).values()}.values())
    return listed([f"{one_line(m.name)} {duration(m.timeout_ns or 0)}" for m in stated], 3) or None


def replies_in_time(subject: Subject) -> Outcome:
    """The slowest reply to each master against its time-out; a missing reply did not come in time either."""
    exchange, groups = subject.case.exchange, subject.case.figures.groups
    rows = subject.case.transactions(subject.seen)
    pairs = groups.pair_of_poll[exchange.poll[rows]]
    measured, why, wrong, lost = [], [], [], 0
    for pair, master in timeouts(subject).items():
        own = rows[pairs == pair]
        kinds = exchange.status[own] & STATUS_MASK
        times = exchange.reply_ns[own[np.isin(kinds, _MATCHED)]]
        slow = own[np.isin(kinds, _MATCHED) & (exchange.reply_ns[own] > (master.timeout_ns or 0))]
        missing = own[kinds == UNANSWERED]
        lost += int(np.count_nonzero(kinds == UNKNOWN))
        name = one_line(master.name)
        if len(times):
            measured.append(f"{name} {duration(int(times.max()))}")
        if len(slow):
            why.append(f"{counted(len(slow), 'reply', 'replies')} too late for {name}")
        if len(missing):
            why.append(f"{counted(len(missing), 'request')} of {name} without a reply")
        wrong += [*slow.tolist(), *missing.tolist()]
    text = listed(measured, 3) or "-"
    if wrong:
        return not_met(text, listed(why, 4), subject.case.request_frames(sorted(wrong)))
    if not measured:
        return open_(f"{counted(lost, 'reply', 'replies')} not recorded" if lost else "no reply was recorded")
    return met(text)


def echo_limit(subject: Subject) -> str | None:
    """Always, where something was written."""
    if subject.figures is None or not any(p.function in WRITES for p in subject.figures.polls):
        return None
    return "as sent"


def writes_echoed(subject: Subject) -> Outcome:
    """Replies to writes against what they have to repeat."""
    if not subject.look.look:
        return open_("standard input cannot be read a second time")
    found = subject.echoes
    if found.different:
        row = found.different[0]
        due, came = echo_of(subject.case.exchange, row), subject.look.pdu(row)
        why = f"first: {due.hex(' ') if due else ''} answered with {came.hex(' ') if came else ''}"
        frames = subject.case.reply_frames(found.different)
        return not_met(f"{len(found.different)} of {found.compared:,} differ", why, frames)
    if not found.compared:
        return open_(
            "no reply that repeats a write lies whole in a frame" if found.writes else "no reply to a write"
        )
    count = counted(found.compared, "reply", "replies")
    return met(count if found.compared == found.writes else f"{count} looked at, of {found.writes:,}")
