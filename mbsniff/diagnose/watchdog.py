"""Silences against the watchdog's timeout in, findings out: due, masked, close, off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.diagnose.causes import Cause, cause_of, recording_gap
from mbsniff.diagnose.causes.recording import bytes_unrecorded
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.scene import extent, scene_of
from mbsniff.diagnose.wording import between, clock, counted, duration, listed
from mbsniff.exchange.columns import P_LAST_NS
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.groups import WRITES
from mbsniff.measure.silences import limit_ns

TOO_SLOWLY = "asked-too-slowly"  # the polling itself, so not an incident
TOLD_ONE_BY_ONE = 5  # silences of a device that get a finding each, the longest first
MOST_LOOKED_AT = 50  # further silences that are held against the recording's gaps
MOST_ARGUED = 2_500  # of all devices together, as long as each has one that is told
CLOSE_MARGIN = 0.2  # common practice: less than a fifth of the timeout left is no reserve


def watchdog_findings(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """All that is found of a device's watchdog."""
    if device.limits.watchdog_ns == 0:
        yield found(
            "watchdog-off", "risk", device, "its watchdog never trips, by the site file", at=(None, None)
        )
    limit = limit_ns(device.limits)
    if limit is None or not device.regular:
        return
    yield from _due(case, device, limit)
    yield from _masked(case, device, limit)
    yield from _close(case, device)


def beyond_timeout(device: DeviceFigures) -> list[Silence]:
    """The device's silences beyond its timeout, certainly or possibly, the recording's end included."""
    end = device.silences.end
    return device.silences.beyond + ([end] if end and device.silences.end_is_due else [])


def _due(case: Case, device: DeviceFigures, limit: int) -> Iterator[Finding]:
    fastest = device.fastest_feeding_poll
    cycles = fastest.count - 1 if fastest and fastest.period and fastest.period.median > limit else 0
    if cycles and 10 * device.silences.certain >= 8 * cycles:
        yield _too_slow(case, device)
        return
    silences = sorted(beyond_timeout(device), key=lambda s: (not s.certain, -s.length_ns))
    told, rest = silences[: share(case, TOLD_ONE_BY_ONE)], silences[share(case, TOLD_ONE_BY_ONE) :]
    for silence in sorted(told, key=lambda s: s.from_ns):
        yield _one_due(case, device, silence, limit)
    if rest:
        yield _further(case, device, limit, told, rest[: share(case, MOST_LOOKED_AT)], rest)


def share(case: Case, most: int) -> int:
    """How many silences of each device are looked at: ``most``, fewer where very many devices have some."""
    count = case.once("devices due", lambda: sum(1 for d in case.figures.devices if beyond_timeout(d)))
    return max(1, min(most, most * MOST_ARGUED // max(TOLD_ONE_BY_ONE * count, 1)))


def _further(
    case: Case, device: DeviceFigures, limit: int, told: list[Silence], looked_at: list[Silence],
    rest: list[Silence],
) -> Finding:  # fmt: skip
    """All that are not told one by one; certain where one of the longest is not the recording's own gap."""
    counts, at_end = device.silences, device.silences.end_is_due
    certain = counts.certain + (at_end == "certain") - sum(s.certain for s in told)
    more = counts.certain + counts.possible + (at_end is not None) - len(told)
    proven = any(s.certain and not recording_gap(scene_of(case, device, s, limit)) for s in looked_at)
    times = listed([clock(s.from_ns) for s in sorted(rest, key=lambda s: s.from_ns)])
    how = f"up to {certain} for certain" if proven else "none for certain"
    text = f"{counted(more, 'further silence')} beyond its timeout ({how}): {times}"
    return found(
        "watchdog-due", "fault" if proven else "risk", device, text,
        at=(min(s.from_ns for s in rest), max(s.until_ns for s in rest)),
        certainty="certain" if proven else "open", evidence=case.request_frames(s.before for s in rest),
    )  # fmt: skip


def _too_slow(case: Case, device: DeviceFigures) -> Finding:
    """Nearly every cycle is longer than the timeout: that is the polling itself, not an incident."""
    beyond = beyond_timeout(device)
    fastest = device.fastest_feeding_poll
    pace = f"every {duration(fastest.period.median)}" if fastest and fastest.period else "irregularly"
    text = (
        f"it is asked {pace}, slower than its watchdog's timeout ({duration(device.limits.watchdog_ns or 0)}): due "
        f"{counted(device.silences.certain, 'time')} for certain"
    )
    return found(
        "watchdog-due", "fault", device, text, at=(beyond[0].from_ns, beyond[-1].until_ns), cause=TOO_SLOWLY,
        evidence=case.request_frames(s.before for s in beyond), advice=BY_CODE["watchdog-close"].advice,
    )  # fmt: skip


def _one_due(case: Case, device: DeviceFigures, silence: Silence, limit: int) -> Finding:
    cause = cause_of(case, device, silence, limit)
    certain = silence.certain and cause.code != "recording-gap"
    timeout = duration(device.limits.watchdog_ns or 0)
    span = between(silence.shortest_ns, silence.longest_ns)
    began = extent(silence)[0]
    when = clock(began + (device.limits.watchdog_ns or 0))
    how = f"was due at about {when}" if certain else "may have been due"
    tail = "" if silence.after is not None else ", and the recording ends before another request"
    text = f"watchdog ({timeout}) {how}: no feed for {span} from {clock(began)}{tail}; {told(cause)}"
    rows = [silence.before] + ([silence.after] if silence.after is not None else [])
    evidence = (*case.request_frames(rows), *cause.evidence)
    due = found(
        "watchdog-due", "fault" if certain else "risk", device, text,
        at=(began, silence.until_ns), certainty="certain" if certain else "open",
        cause=cause.code, evidence=tuple(dict.fromkeys(evidence)), advice=f"{_advice(device)} {cause.advice}".strip(),
    )  # fmt: skip
    return argued(due, cause)


def told(cause: Cause) -> str:
    """A cause in a sentence: what it rests on, and what is not there that would argue for its nearest neighbour."""
    return f"{cause.text} ({cause.nearest})" if cause.nearest else cause.text


def argued(finding: Finding, cause: Cause) -> Finding:
    """The finding with all that the verdict on its cause says."""
    return replace(
        finding,
        cause=cause.code,
        cause_certainty=cause.certainty,
        against=cause.against,
        would_decide=cause.would_decide,
        rivals=cause.rivals,
    )


def _advice(device: DeviceFigures) -> str:
    """What the device does when its watchdog trips decides what comes next."""
    if device.limits.on_loss == "shut-off":
        return (
            "The device shuts its output off: requests must be arriving again before its trip is reset. A reset "
            "re-energises equipment and is for qualified people under local rules. "
            "Find out why the requests stopped first."
        )
    if device.limits.on_loss == "hold":
        return (
            "The device holds its last output meanwhile, which may heat or move on without control, and goes on by "
            "itself when requests return. Find out why the requests stopped before changing the timeout."
        )
    return BY_CODE["watchdog-due"].advice


def _masked(case: Case, device: DeviceFigures, limit: int) -> Iterator[Finding]:
    """The controlling master was silent for too long, while others' requests kept the watchdog fed."""
    due = beyond_timeout(device)
    steady, writing = _in_charge(device, limit)
    silences = [(s.master, s.silence, s.beyond) for s in device.master_silences if s.beyond]
    silences += _gone(case, device, limit, steady & writing)
    for master, silence, times in silences:
        if silence.shortest_ns <= limit or master not in (steady & writing or steady):
            continue
        if any(s.from_ns < silence.until_ns and silence.from_ns < s.until_ns for s in due):
            continue
        gap = bytes_unrecorded(scene_of(case, device, silence, limit))
        others = listed([case.master_name(m) for m in device.masters if m != master])
        text = (
            f"{case.master_name(master)} {'may have been' if gap.present else 'was'} silent for "
            f"{duration(silence.length_ns)} from {clock(silence.from_ns)}"
            f"{'' if silence.after is not None else ' to the end'}, longer than the timeout "
            f"({duration(device.limits.watchdog_ns or 0)}), while requests of {others} kept the watchdog fed; "
            f"{gap.text if gap.present else counted(times, 'such silence') + ' in all'}"
        )
        rows = [silence.before] + ([silence.after] if silence.after is not None else [])
        yield found(
            "watchdog-masked", "risk" if gap.present else "fault", device, text,
            at=(silence.from_ns, silence.until_ns), certainty="open" if gap.present else "likely",
            evidence=case.request_frames(rows),
        )  # fmt: skip


def _gone(
    case: Case, device: DeviceFigures, limit: int, masters: set[str]
) -> Iterator[tuple[str, Silence, int]]:
    """(master, its silence up to the recording's end, 1) of each that was gone, where no other took over."""
    feeding = [p for p in device.polls if p.feeds and p.master in masters]
    if not feeding:
        return
    last = max(feeding, key=lambda p: int(case.exchange.polls[p.row, P_LAST_NS]))
    from_ns, ends_ns = int(case.exchange.polls[last.row, P_LAST_NS]), case.facts.ends_ns or 0
    if ends_ns - from_ns <= limit:  # one in charge is there
        return
    rows = case.requests_between(np.array([device.index], np.int64), from_ns, from_ns + 1)
    before = int(rows[case.exchange.poll[rows] == last.row][-1])
    delivered_ns = max(from_ns + int(case.exchange.reply_ns[before]), from_ns)
    shortest = max(ends_ns - delivered_ns, 0)
    yield last.master, Silence(from_ns, ends_ns, shortest, None, before, None, shortest > limit), 1


def _in_charge(device: DeviceFigures, limit: int) -> tuple[set[str], set[str]]:
    """Masters whose own polls would keep the watchdog fed, and masters that write more than once."""
    steady = {
        poll.master
        for poll in device.polls
        if poll.feeds and poll.kind == "cyclic" and poll.period and poll.period.median <= limit
    }
    return steady, {poll.master for poll in device.polls if poll.function in WRITES and poll.count > 1}


def _close(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    longest = device.silences.longest
    if longest is None or beyond_timeout(device):
        return
    left = margin(device)
    spare = spare_polls(device)
    if left is None or (left >= CLOSE_MARGIN and spare != 0):
        return
    timeout = duration(device.limits.watchdog_ns or 0)
    rest = f"left {left:.0%} of the timeout ({timeout})"
    if left < 0:
        rest = f"exceeded the timeout ({timeout}) within its tolerance"
    text = f"its longest silence, {duration(longest.length_ns)} at {clock(longest.from_ns)}, {rest}"
    if spare is not None:
        text += f"; {counted(spare, 'more poll')} might have gone missing"
    gap = recording_gap(scene_of(case, device, longest, (device.limits.watchdog_ns or 0) // 2))
    if gap:
        text += f"; it may have been shorter, since {gap.text}"
    rows = [longest.before] + ([longest.after] if longest.after is not None else [])
    yield found(
        "watchdog-close", "risk", device, text, at=(longest.from_ns, longest.until_ns),
        certainty="open" if gap else "certain", evidence=case.request_frames(rows),
        advice=gap.advice if gap else None,
    )  # fmt: skip


def margin(device: DeviceFigures) -> float | None:
    """1 − longest silence ÷ timeout, None without a timeout or a silence."""
    longest = device.silences.longest
    if not device.limits.watchdog_ns or longest is None:
        return None
    return 1 - longest.length_ns / device.limits.watchdog_ns


def spare_polls(device: DeviceFigures) -> int | None:
    """Whole periods of the fastest cyclic feeding poll between the longest silence and the timeout."""
    longest = device.silences.longest
    fastest = device.fastest_feeding_poll
    if not device.limits.watchdog_ns or longest is None or fastest is None or fastest.period is None:
        return None
    left = device.limits.watchdog_ns - longest.length_ns
    return max(left // max(fastest.period.median, 1), 0)
