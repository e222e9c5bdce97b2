"""A silence or a device in, what was written that switches an output off or changes the watchdog out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.lines import Longs
from mbsniff.diagnose.registers.values import written_words
from mbsniff.diagnose.scene import Rows, Scene
from mbsniff.diagnose.wording import addresses, clock, duration
from mbsniff.exchange.columns import ORPHAN, STATUS_MASK
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.measure.addresses import written_block

RECENT_NS = 60_000_000_000  # a command that far back may still be why a master stopped asking
MOST_WORDS = 16  # written at once, in a block that is taken for setpoints and not for a program


@dataclass(frozen=True)
class Zeroed:
    """A stretch in which what a poll writes is zero, after it had been something else."""

    master: str
    start: int
    quantity: int
    rows: Rows
    """Shape (n,): the writes of zero, in time order."""
    from_ns: int
    until_ns: int | None
    """When something else was written again; None where it was not."""


def zeroed(case: Case, device: DeviceFigures) -> list[Zeroed]:
    """All such stretches of the device's setpoints, in time order."""
    found = [each for poll in _setpoints(device) for each in _zeroed_by(case, device, poll)]
    return sorted(found, key=lambda z: z.from_ns)


def _setpoints(device: DeviceFigures) -> list[PollFigures]:
    """The polls that write what may be a setpoint: those that feed where writes feed, else all that write registers."""
    writing = [
        p
        for p in device.polls
        if (block := written_block(p)) and block[0] == "holding" and block[2] <= MOST_WORDS
    ]
    if device.limits.fed_by.kind == "write":
        return [p for p in writing if p.feeds]
    return [p for p in writing if p.count > 1]


def _zeroed_by(case: Case, device: DeviceFigures, poll: PollFigures) -> list[Zeroed]:
    block = written_block(poll)
    if block is None or not poll.changes:
        return []
    rows = case.transactions(device)
    rows = rows[(case.exchange.poll[rows] == poll.row) & (case.exchange.status[rows] & STATUS_MASK != ORPHAN)]
    rows = rows[case.exchange.exception[rows] == 0]
    words = written_words(case.exchange, poll.function, block[2], rows)
    is_zero, known = (words == 0).all(axis=1), (words >= 0).all(axis=1)
    rows, is_zero = rows[known], is_zero[known]
    edges = np.flatnonzero(np.diff(is_zero.astype(np.int8)))
    begins = [int(e) + 1 for e in edges if not is_zero[e]]  # what is zero from the start was no command
    found = []
    for begin in begins:
        rest = np.flatnonzero(~is_zero[begin:])
        end = begin + int(rest[0]) if len(rest) else None
        until = int(case.exchange.request_ns[rows[end]]) if end is not None else None
        at = int(case.exchange.request_ns[rows[begin]])
        found.append(Zeroed(poll.master, block[1], block[2], rows[begin:end], at, until))
    return found


def written_to_zero(scene: Scene) -> Seen:
    """A setpoint was written to zero shortly before, and nothing else since."""
    key = ("zeroed", scene.device.index)
    stretches = scene.case.once(key, lambda: zeroed(scene.case, scene.device))
    for z in stretches:
        before = z.from_ns <= scene.early_ns and scene.from_ns - z.from_ns <= RECENT_NS
        if before and (z.until_ns is None or z.until_ns >= scene.until_ns):
            return Seen(True, zero_text(scene.case, scene.device, z), scene.case.request_frames(z.rows[:2]))
    return ABSENT


def zero_text(case: Case, device: DeviceFigures, z: Zeroed) -> str:
    """What was written, by whom, since when."""
    where = addresses(z.start, z.quantity, "holding", device.limits.numbering)
    return f"{case.master_name(z.master)} wrote 0 to register {where} from {clock(z.from_ns)} on"


def timeout_written(scene: Scene) -> Seen:
    """What states the watchdog's timeout was written shortly before the silence, or in it."""
    device, case = scene.device, scene.case
    register = declared_watchdog(case, device)
    if register is None:
        return ABSENT
    polls = [p.row for p in device.polls if (b := written_block(p)) and _touches(b, register)]
    rows = case.requests_between(
        np.array([device.index], np.int64), scene.from_ns - RECENT_NS, scene.until_ns
    )
    rows = rows[np.isin(case.exchange.poll[rows], polls) & (case.exchange.exception[rows] == 0)]
    if not len(rows):
        return ABSENT
    times: Longs = case.exchange.request_ns[rows]
    text = f"the register that states its timeout was written {_when(int(times[0]), scene.from_ns)}"
    return Seen(True, text, case.request_frames(rows[:4].tolist()))


def _when(time_ns: int, from_ns: int) -> str:
    return f"{duration(abs(from_ns - time_ns))} {'before' if time_ns < from_ns else 'after'} the last feed"


def declared_watchdog(case: Case, device: DeviceFigures) -> tuple[int, int] | None:
    """First and last address of the register that states its timeout, where the site names one."""
    declared = case.site.device_for(device.address, device.port, device.units[0])
    register = declared.watchdog_register if declared else None
    if register is None or register.table != "holding":
        return None
    return register.first, register.first + register.count - 1


def _touches(block: tuple[str, int, int], register: tuple[int, int]) -> bool:
    table, first, count = block
    return table == "holding" and first <= register[1] and register[0] < first + count
