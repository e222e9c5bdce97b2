"""Requirements on a device's watchdog: set, kept, fed also when nothing changes, as the device itself states it."""

from __future__ import annotations

import math

import numpy as np

from mbsniff.audit.subject import Subject
from mbsniff.audit.verdict import Outcome, met, not_met, open_
from mbsniff.diagnose.watchdog import margin, spare_polls
from mbsniff.diagnose.wording import between, counted, duration, listed
from mbsniff.measure import PollFigures
from mbsniff.measure.groups import WRITES

_SAME = 0.001  # a register that counts tenths or milliseconds states a timeout to the nearest of them


def watchdog_limit(subject: Subject) -> str | None:
    """Any timeout but 0."""
    return None if subject.limits.watchdog_ns is None else "a timeout above 0"


def watchdog_set(subject: Subject) -> Outcome:
    """As the site file states it; what the device itself states is a requirement of its own."""
    timeout = subject.limits.watchdog_ns
    if not timeout:
        return not_met("0 s", "it never trips, by the site file")
    return met(f"{duration(timeout)} stated")


def timeout_limit(subject: Subject) -> str | None:
    """The timeout, where there is one."""
    timeout = subject.limits.watchdog_ns
    return f"less than {duration(timeout)}" if timeout else None


def watchdog_kept(subject: Subject) -> Outcome:
    """The longest silence between feeds, and what was left."""
    device = subject.seen
    longest = device.silences.longest
    measured = "-" if longest is None else between(longest.shortest_ns, longest.longest_ns)
    left, spare = margin(device), spare_polls(device)
    measured += f", {left:.0%} left" if left is not None and left >= 0 else ""
    measured += f", {counted(spare, 'spare poll')}" if spare is not None else ""
    found = subject.own_findings("watchdog-due")
    faults = [f for f in found if f.level == "fault"]
    if faults:
        causes = listed(sorted({f.cause for f in faults if f.cause}))
        why = f"due{f', cause: {causes}' if causes else ''}"
        return not_met(measured, why, faults[0].evidence)
    if found:
        return open_(f"possibly due: {found[0].cause or 'too little is known'}", measured, found[0].evidence)
    if not device.regular:
        return open_("it was only probed", measured)
    if longest is None:
        return open_("fewer than two feeds were recorded")
    if subject.case.facts.longest_step_ns > (subject.limits.watchdog_ns or 0):
        return open_(
            "the clock went back by more than the timeout, so that a silence may hide there", measured
        )
    rows = [longest.before, *([longest.after] if longest.after is not None else [])]
    return met(measured, subject.case.request_frames(rows))


def fed_limit(subject: Subject) -> str | None:
    """Something cyclic has to feed the watchdog."""
    return "a cyclic feed" if subject.limits.watchdog_ns else None


def watchdog_fed(subject: Subject) -> Outcome:
    """Whether the watchdog is fed when nothing changes, as in a quiet night."""
    feeding = [p for p in subject.seen.polls if p.feeds]
    if not feeding:
        return open_("no request that feeds it was recorded")
    steady = [p for p in feeding if _feeds_steadily(p, subject.limits.fed_by.change)]
    if steady:
        return met(f"{counted(len(steady), 'cyclic poll')}", subject.requests_of(steady[:1])[:2])
    if all(p.function in WRITES for p in feeding):
        why = "only writes that come when a value changes feed it: when nothing changes, it trips"
        kinds = listed(sorted({p.kind for p in feeding}))
        return not_met(f"{counted(len(feeding), 'feeding poll')}, {kinds}", why, subject.requests_of(feeding))
    return open_("no feeding poll is cyclic", f"{counted(len(feeding), 'feeding poll')}")


def _feeds_steadily(poll: PollFigures, change: bool) -> bool:
    """Where only changed values feed, nearly every write has to bring one, as a heartbeat does."""
    return poll.kind == "cyclic" and (not change or 10 * poll.changes >= 9 * (poll.count - 1))


def control_limit(subject: Subject) -> str | None:
    """The timeout, where there is one: others' requests must not hide that the master in charge is gone."""
    timeout = subject.limits.watchdog_ns
    return f"no silence above {duration(timeout)} behind others' requests" if timeout else None


def control_kept(subject: Subject) -> Outcome:
    """Whether a controlling master was silent for longer than the timeout while others fed the watchdog."""
    found = subject.own_findings("watchdog-masked")
    faults = [f for f in found if f.level == "fault"]
    if not found:
        return met("none") if subject.seen.regular else open_("it was only probed")
    text = (faults or found)[0].text.split(": ", 1)[-1]
    evidence = tuple(e for f in faults or found for e in f.evidence)
    measured = duration(max((f.until_ns or 0) - (f.from_ns or 0) for f in faults or found))
    return not_met(measured, text, evidence) if faults else open_(text, measured, evidence)


def outage_limit(subject: Subject) -> str | None:
    """How long the process may be without control, where a timeout is stated too."""
    tolerable = subject.limits.tolerable_outage_ns
    return f"at most {duration(tolerable)}" if tolerable and subject.limits.watchdog_ns else None


def outage_bearable(subject: Subject) -> Outcome:
    """Until the watchdog trips, at its slowest, nobody controls the output."""
    timeout = subject.limits.watchdog_ns or 0
    slowest = timeout + round(timeout * subject.limits.tolerance)
    measured = f"{duration(slowest)} until it trips"
    if slowest <= (subject.limits.tolerable_outage_ns or 0):
        return met(measured)
    return not_met(measured, "the output goes on without control for longer than its owner allows")


def stated_limit(subject: Subject) -> str | None:
    """The timeout of the site file, where it names a register for it."""
    register = subject.declared.watchdog_register if subject.declared else None
    timeout = subject.limits.watchdog_ns
    return None if register is None or timeout is None else duration(timeout) if timeout else "0 s"


def timeout_stated(subject: Subject) -> Outcome:
    """What the device's own register says, at every reading that was looked at."""
    device = subject.declared
    register = device.watchdog_register if device else None
    if device is None or register is None or not subject.look.look:
        return open_("standard input cannot be read a second time")
    readings = subject.readings(register)
    if not len(readings.rows):
        return open_(
            "its register was not read" if not readings.asked else "no reading lies whole in a frame"
        )
    stated = readings.values * device.limits.watchdog_unit_s
    wanted = (subject.limits.watchdog_ns or 0) / 1e9
    wrong = [k for k, s in enumerate(stated.tolist()) if not math.isclose(s, wanted, rel_tol=_SAME)]
    measured = f"{listed([f'{s:g} s' for s in np.unique(stated).tolist()])} in {_looked(len(stated), readings.asked)}"
    if wrong:
        frames = subject.case.reply_frames(readings.rows[wrong].tolist())
        return not_met(measured, "the device and the site file differ", frames)
    return met(measured, subject.case.reply_frames(readings.rows[:1].tolist()))


def _looked(count: int, asked: int) -> str:
    text = counted(count, "reading")
    return text if count == asked else f"{text} looked at, of {asked:,}"


def status_limit(subject: Subject) -> str | None:
    """Where the site names a status register and what it says after a trip."""
    named = subject.declared is not None and subject.declared.status_register is not None
    return "never tripped" if named and subject.limits.status_tripped else None


def never_tripped(subject: Subject) -> Outcome:
    """What the status register said, at every reading that was looked at."""
    register = subject.declared.status_register if subject.declared else None
    tripped = subject.limits.status_tripped
    if register is None or tripped is None or not subject.look.look:
        return open_("standard input cannot be read a second time")
    readings = subject.readings(register)
    if not len(readings.rows):
        return open_(
            "its register was not read" if not readings.asked else "no reading lies whole in a frame"
        )
    bad = [k for k, words in enumerate(readings.raw.tolist()) if tripped.by(words[-1])]
    looked = _looked(len(readings.rows), readings.asked)
    if bad:
        frames = subject.case.reply_frames(readings.rows[bad].tolist())
        return not_met(f"tripped in {len(bad)} of {looked}", "the device says that it fell back", frames)
    return met(f"not tripped in {looked}")
