"""Readings of the status register around a silence in, whether the device says that it fell back out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery.facts import Outcome, Proof, Reading
from mbsniff.diagnose.registers.readings import SecondLook
from mbsniff.diagnose.scene import Rows
from mbsniff.exchange import well_answered
from mbsniff.measure import DeviceFigures
from mbsniff.site import Device, Register

BEFORE, NEXT, LATER = (
    2,
    60,
    100,
)  # readings that are looked at: before a silence, from then on, spread over the rest


@dataclass(frozen=True)
class Window:
    """The stretch in which readings belong to a silence."""

    from_ns: int
    due_from_ns: int
    """The earliest that the watchdog may have tripped: timeout less tolerance."""
    due_by_ns: int
    """From when on, without a feed, the watchdog must have tripped: latest delivery, timeout and tolerance."""
    until_ns: int
    """When requests returned, or the recording ended."""
    horizon_ns: int
    """When the next silence began, or the recording ended."""


def around(case: Case, readers: Rows, window: Window) -> Rows:
    """The reading transactions that are looked at for a silence."""
    times = case.exchange.request_ns[readers]
    first, last = np.searchsorted(times, (window.from_ns, window.horizon_ns)).tolist()
    near = readers[max(first - BEFORE, 0) : min(first + NEXT, last)]
    rest = readers[min(first + NEXT, last) : last]
    spread = np.linspace(0, len(rest) - 1, min(LATER, len(rest))).astype(np.int64)
    return np.asarray(np.concatenate([near, rest[spread]]), np.int32)


def status_register(declared: Device | None, device: DeviceFigures) -> Register | None:
    """The status register, where the site says what it says after a trip."""
    return declared.status_register if declared and device.limits.status_tripped else None


def proof(
    case: Case,
    device: DeviceFigures,
    register: Register,
    look: SecondLook,
    window: Window,
    reset_ns: int | None,
) -> Proof:
    """What the status register says; ``reset_ns``: when a reset was written after requests had returned."""
    label = register.label(device.limits.numbering)
    if look.look is None:
        return Proof(register, label, "no second look", None, None, None, None, may_have_restarted=False)
    seen = _readings(case, device, register, look, window)
    earlier = [r for r in seen if r.at_ns < window.from_ns]
    since = [r for r in seen if r.at_ns >= window.from_ns]
    for before, reading, later in _changes(earlier, since):
        if reading.at_ns >= window.due_from_ns:
            return _told(register, label, "fell back", reading, later, before)
    already = [r for r in (*earlier[-1:], *since) if r.tripped]
    if already:
        return _told(
            register, label, "before", already[0], [r for r in since if r.at_ns > already[0].at_ns], None
        )
    return _clear(register, label, device, [*earlier, *since], window, reset_ns)


def _changes(
    earlier: list[Reading], since: list[Reading]
) -> Iterator[tuple[Reading | None, Reading, list[Reading]]]:
    """(the reading before, the first that says so, those after it) each time that the device says that it fell back."""
    before = earlier[-1] if earlier else None
    for k, reading in enumerate(since):
        if reading.tripped and not (before and before.tripped):
            yield before, reading, since[k + 1 :]
        before = reading


def _told(
    register: Register,
    label: str,
    outcome: Outcome,
    fell: Reading,
    later: list[Reading],
    before: Reading | None,
) -> Proof:
    back = next((r for r in later if not r.tripped), None)
    return Proof(register, label, outcome, before, fell, back, None, may_have_restarted=False)


def _clear(
    register: Register,
    label: str,
    device: DeviceFigures,
    seen: list[Reading],
    window: Window,
    reset_ns: int | None,
) -> Proof:
    """No reading says so: is there one that would have?"""
    unfed = [r for r in seen if window.due_by_ns < r.at_ns < window.until_ns]
    latched = device.limits.on_loss == "shut-off"  # such a trip stays until it is reset
    after = [r for r in seen if r.at_ns >= window.until_ns and (reset_ns is None or r.at_ns < reset_ns)]
    tells = unfed[-1:] or (after[:1] if latched else [])
    if not tells:
        return Proof(register, label, "unread", None, None, None, None, may_have_restarted=False)
    times = [window.from_ns, *(r.at_ns for r in seen if window.from_ns <= r.at_ns <= tells[0].at_ns)]
    apart_ns = max(b - a for a, b in pairwise(times))
    restarted = apart_ns > (device.limits.watchdog_ns or 0)
    return Proof(register, label, "did not", None, None, None, tells[0], may_have_restarted=restarted)


def _readings(
    case: Case, device: DeviceFigures, register: Register, look: SecondLook, window: Window
) -> list[Reading]:
    """What was read from shortly before the silence up to the next one, in time order."""
    tripped = device.limits.status_tripped
    assert tripped is not None
    read = look.readings(device, register)
    first = max(int(np.searchsorted(read.times_ns, window.from_ns)) - BEFORE, 0)
    last = int(np.searchsorted(read.times_ns, window.horizon_ns))
    frames = case.exchange.reply_frame
    return [
        Reading(at_ns, word, tripped.by(word), case.frame(int(frames[row])))
        for at_ns, word, row in zip(
            read.times_ns[first:last].tolist(),
            read.raw[first:last, -1].tolist(),
            read.rows[first:last].tolist(),
            strict=True,
        )
    ]


def readers_of(case: Case, device: DeviceFigures, register: Register, look: SecondLook) -> Rows:
    """The transactions that read a register and got a normal reply, in time order."""
    return well_answered(case.exchange, look.readers(device, register))
