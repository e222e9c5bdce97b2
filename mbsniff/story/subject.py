"""A diagnosis and what is asked in, the silence or stretch of time to be told out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Diagnosis, Finding
from mbsniff.diagnose.scene import extent
from mbsniff.diagnose.watchdog import beyond_timeout
from mbsniff.diagnose.wording import listed
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.silences import limit_ns
from mbsniff.story.ask import Ask, AskError
from mbsniff.story.cause import NEARLY
from mbsniff.story.device import device_of, known_devices
from mbsniff.story.scope import Rows, Scope, feeds_of, scope_of_moment, scope_of_silence
from mbsniff.story.times import Times, stretch_at

NEAR_NS = 60_000_000_000  # a silence so close to the time asked for is what an alarm list may mean


@dataclass(frozen=True)
class Subject:
    """What is to be told of, and the finding about it."""

    scope: Scope
    finding: Finding | None
    asked_ns: tuple[int, int] | None
    """The stretch that the time asked for stands for."""


def subject_of(diagnosis: Diagnosis, ask: Ask, times: Times) -> Subject | None:
    """What the question is about; None where nothing was asked for and nothing is wrong. Raises AskError."""
    case = Case(diagnosis.exchange, diagnosis.facts, diagnosis.figures, diagnosis.site)
    if not diagnosis.figures.devices:
        raise AskError("no Modbus TCP requests in the recording", hint="Is --port the right one?")
    devices = [device_of(diagnosis, ask.device)] if ask.device is not None else diagnosis.figures.devices
    if ask.at is None:
        return _worst(case, diagnosis, devices, ask)
    starts_ns, ends_ns = diagnosis.facts.starts_ns or 0, diagnosis.facts.ends_ns or 0
    asked = stretch_at(ask.at, times, starts_ns, ends_ns)
    return _at(case, diagnosis, devices, asked, ask.device is not None)


def _worst(case: Case, diagnosis: Diagnosis, devices: list[DeviceFigures], ask: Ask) -> Subject | None:
    """The worst silence of these devices, of the incident where one is asked for."""
    keys = {d.key: d for d in devices}
    found = [
        f for f in diagnosis.findings if f.device in keys and f.code in ("watchdog-due", "watchdog-masked")
    ]
    if ask.incident is not None:
        found = [f for f in found if f.incident == ask.incident]
        if not found:
            numbers = sorted({f.incident for f in diagnosis.findings if f.incident is not None})
            told = f"incidents {listed([str(n) for n in numbers], 12)}" if numbers else "there is no incident"
            raise AskError(f"no incident {ask.incident} in this recording", expected=told)
    first = {(i.number, key) for i in diagnosis.incidents for key in i.first}
    for finding in sorted(
        found, key=lambda f: f.incident is not None and (f.incident, f.device) not in first
    ):
        subject = _of_finding(case, keys[finding.device or ""], finding)
        if subject:
            return subject
    longest = devices[0].silences.longest if ask.device is not None else None
    if longest is None:
        return None
    return Subject(scope_of_silence(case, devices[0], longest, limit_ns(devices[0].limits)), None, None)


def _of_finding(case: Case, device: DeviceFigures, finding: Finding) -> Subject | None:
    """The silence that a finding is about: of several, the longest."""
    limit = limit_ns(device.limits)
    if finding.code == "watchdog-masked":
        for each in device.master_silences:
            if each.silence.from_ns == finding.from_ns:
                return Subject(
                    scope_of_silence(case, device, each.silence, limit, each.master), finding, None
                )
        return _of_one_gone(case, device, finding)
    inside = [
        s for s in beyond_timeout(device)
        if finding.from_ns is None or (extent(s)[0] >= finding.from_ns and s.until_ns <= (finding.until_ns or 0))
    ]  # fmt: skip
    if not inside:
        return None
    silence = max(inside, key=lambda s: (s.certain, s.length_ns))
    return Subject(scope_of_silence(case, device, silence, limit), finding, None)


def _of_one_gone(case: Case, device: DeviceFigures, finding: Finding) -> Subject | None:
    """Of a master that was not heard any more: from its last feed to the recording's end."""
    for master in device.masters:
        _, feeds = feeds_of(case, device, master)
        if len(feeds) and int(case.exchange.request_ns[feeds[-1]]) == finding.from_ns:
            silence = _longest_gap(case, feeds[-1:], (finding.from_ns, finding.until_ns or finding.from_ns))
            if silence:
                scope = scope_of_silence(case, device, silence, limit_ns(device.limits), master)
                return Subject(scope, finding, None)
    return None


def _at(
    case: Case, diagnosis: Diagnosis, devices: list[DeviceFigures], asked: tuple[int, int], named: bool
) -> Subject:
    """The silence at that time, or the nearest within a minute, or what was going on."""
    masked = {(f.device, f.from_ns) for f in diagnosis.findings if f.code == "watchdog-masked"}
    near = [(_distance(extent(s), asked), not s.certain, -s.length_ns, d.index, d, s)
            for d in devices for s in beyond_timeout(d)]  # fmt: skip
    near += [(_distance(extent(m.silence), asked), True, 0, d.index, d, m.silence)
             for d in devices for m in d.master_silences if (d.key, m.silence.from_ns) in masked]  # fmt: skip
    near = [entry for entry in near if entry[0] <= NEAR_NS]
    if near:
        *_, device, silence = min(near, key=lambda entry: entry[:4])
        master = next((m.master for m in device.master_silences if m.silence is silence), None)
        scope = scope_of_silence(case, device, silence, limit_ns(device.limits), master)
        return Subject(scope, _finding_of(diagnosis.findings, device, silence), asked)
    if not named and len(devices) > 1:
        hint = f"Name the device with --device. {known_devices(devices)}"
        raise AskError("no watchdog was due within a minute of that time", hint=hint)
    return _quiet(case, devices[0], asked)


def _distance(span: tuple[int, int], asked: tuple[int, int]) -> int:
    return max(span[0] - asked[1], asked[0] - span[1], 0)


def _finding_of(findings: Iterable[Finding], device: DeviceFigures, silence: Silence) -> Finding | None:
    """The finding that tells of a silence."""
    from_ns, until_ns = extent(silence)[0], silence.until_ns
    for finding in findings:
        if finding.device != device.key or finding.code not in ("watchdog-due", "watchdog-masked"):
            continue
        if finding.from_ns is None or (finding.from_ns <= from_ns and until_ns <= (finding.until_ns or 0)):
            return finding
    return None


def _quiet(case: Case, device: DeviceFigures, asked: tuple[int, int]) -> Subject:
    """The longest time between two feeds then, where it is near the timeout; else the stretch asked for."""
    _, feeds = feeds_of(case, device, None)
    limit = limit_ns(device.limits)
    silence = _longest_gap(case, feeds, asked)
    if silence and limit and silence.length_ns >= NEARLY * (device.limits.watchdog_ns or 0):
        return Subject(scope_of_silence(case, device, silence, limit), None, asked)
    return Subject(scope_of_moment(case, device, *asked), None, asked)


def _longest_gap(case: Case, feeds: Rows, asked: tuple[int, int]) -> Silence | None:
    """The longest silence that overlaps a stretch of time; the recording's end ends one too."""
    times = case.exchange.request_ns[feeds]
    first = max(int(np.searchsorted(times, asked[0], side="right")) - 1, 0)
    last = min(int(np.searchsorted(times, asked[1], side="left")) + 1, len(times))
    own = feeds[first:last]
    if not len(own):
        return None
    ends_ns = max(case.facts.ends_ns or 0, int(times[-1]))
    until = np.append(times[first + 1 : last], times[last] if last < len(times) else ends_ns)
    gaps = until - times[first:last]
    k = int(gaps.argmax())
    before = int(own[k])
    after = int(feeds[first + k + 1]) if first + k + 1 < len(feeds) else None
    latest_ns = int(times[first + k]) + max(int(case.exchange.reply_ns[before]), 0)
    shortest = max(int(until[k]) - latest_ns, 0)
    return Silence(int(times[first + k]), int(until[k]), shortest, None, before, after, False)
