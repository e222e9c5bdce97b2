"""A device in, findings about commands that look like a fault from outside out: setpoints written to zero."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from mbsniff.diagnose.case import Case, found
from mbsniff.diagnose.causes.commands import Zeroed, zero_text, zeroed
from mbsniff.diagnose.finding import Finding
from mbsniff.diagnose.wording import clock, counted
from mbsniff.measure import DeviceFigures

MOST_TOLD = 5


def command_findings(case: Case, device: DeviceFigures) -> Iterator[Finding]:
    """Setpoints that were zero for longer than the watchdog's timeout: what is off by command looks like tripped."""
    if device.limits.fed_by.kind != "write" or not device.limits.watchdog_ns:
        return
    stretches = case.once(("zeroed", device.index), lambda: zeroed(case, device))
    long = [
        z for z in stretches if _length_ns(case, z) > device.limits.watchdog_ns and not _told(case, device, z)
    ]
    for z in long[:MOST_TOLD]:
        until = f", until {clock(z.until_ns)}" if z.until_ns is not None else ", to the recording's end"
        more = len(long) - MOST_TOLD if z is long[min(len(long), MOST_TOLD) - 1] else 0
        tail = f"; {counted(more, 'further time')} likewise" if more > 0 else ""
        told = found(
            "setpoint-zero", "remark", device, zero_text(case, device, z) + until + tail,
            at=(z.from_ns, z.until_ns or case.facts.ends_ns), cause="commanded",
            evidence=case.request_frames(z.rows[[0, -1]].tolist()),
        )  # fmt: skip
        yield replace(told, cause_certainty="certain")


def _told(case: Case, device: DeviceFigures, z: Zeroed) -> bool:
    """Whether most of it lies in silences in which the watchdog was due, so that their verdicts speak of it."""
    end = z.until_ns if z.until_ns is not None else case.facts.ends_ns or z.from_ns
    within = [min(s.until_ns, end) - max(s.from_ns, z.from_ns) for s in device.silences.beyond]
    return 2 * sum(max(each, 0) for each in within) >= end - z.from_ns


def _length_ns(case: Case, z: Zeroed) -> int:
    """How long it was zero for certain: between its writes, and up to the one that ended it."""
    last = int(case.exchange.request_ns[z.rows[-1]])
    return (z.until_ns if z.until_ns is not None else last) - z.from_ns
