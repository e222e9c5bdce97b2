"""A measured recording, silences and a way to see frames again in, the Recovery from each out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.recovery.facts import Feedback, Recovery, Step
from mbsniff.diagnose.recovery.feedback import feedback
from mbsniff.diagnose.recovery.proof import Window, around, proof, readers_of, status_register
from mbsniff.diagnose.recovery.setpoints import (
    first_written,
    last_written,
    reset_traces,
    resets,
    setpoint_traces,
)
from mbsniff.diagnose.recovery.steps import active_polls, first_reply, full_round, rows_since
from mbsniff.diagnose.registers.readings import SecondLook, feedback_of
from mbsniff.diagnose.registers.traces import Trace, traces
from mbsniff.diagnose.scene import Rows, extent
from mbsniff.diagnose.silent import Silent
from mbsniff.exchange import Look
from mbsniff.measure import DeviceFigures, Silence
from mbsniff.measure.groups import WRITES
from mbsniff.measure.silences import limit_ns
from mbsniff.site import Device, Register
from mbsniff.site.limits import FedBy


def recovery_of(case: Case, device: DeviceFigures, silence: Silence, look: Look | None) -> Recovery:
    """How one device came back after one silence, of any length; ``look``: None where no second look is possible."""
    return recoveries(case, [(device, silence)], look)[0]


def recoveries(case: Case, silences: Sequence[Silent], look: Look | None) -> list[Recovery]:
    """How each device came back after each silence, with one second look at the recording for all of them."""
    second, owns = SecondLook(case, look), dict[int, _Own]()
    seen = [_Seen(case, *silent, owns, second) for silent in silences]
    second.take()
    return [each.recovery() for each in seen]


@dataclass
class _Own:
    """What a device's recoveries share."""

    declared: Device | None
    setpoints: list[Trace]
    resets: list[Trace]
    status: Register | None
    follows: list[tuple[Trace, Register]]
    readers: dict[Register, Rows] = field(default_factory=dict)


def _own(case: Case, device: DeviceFigures) -> _Own:
    declared = case.figures.groups.devices[device.index].declared
    writes = any(poll.function in WRITES for poll in device.polls)
    found = traces(case, device, declared.registers if declared else ()) if writes else []
    setpoints = setpoint_traces(device, declared, found)
    follows = [(trace, register) for trace in setpoints if (register := feedback_of(declared, trace))]
    status = status_register(declared, device)
    return _Own(declared, setpoints, reset_traces(declared, found), status, follows)


class _Seen:
    """One silence, with what was wanted for it of the second look."""

    def __init__(
        self, case: Case, device: DeviceFigures, silence: Silence, owns: dict[int, _Own], look: SecondLook
    ) -> None:
        self.case, self.device, self.silence, self.look = case, device, silence, look
        if device.index not in owns:
            owns[device.index] = _own(case, device)
        self.own = owns[device.index]
        self.window = _window(case, device, silence)
        for register in [*([self.own.status] if self.own.status else []), *(r for _, r in self.own.follows)]:
            if register not in self.own.readers:
                self.own.readers[register] = readers_of(case, device, register, look)
            look.want_readings(device, register, around(case, self.own.readers[register], self.window))

    def recovery(self) -> Recovery:
        """All that is known, once the second look was taken."""
        case, device, own, window = self.case, self.device, self.own, self.window
        returned = self.silence.after is not None
        rows = rows_since(case, device, window.until_ns) if returned else case.exchange.poll[:0]
        polls = active_polls(case, device, window.from_ns)
        due_ns = window.from_ns + (device.limits.watchdog_ns or 0)
        written = [last_written(case, trace, window.until_ns) for trace in own.setpoints]
        reset = resets(case, own.resets, due_ns, window.until_ns, window.horizon_ns, returned=returned)
        after = next((r.at_ns for r in reset if r.arriving_ns is not None), None)
        found = [feedback(case, device, t, r, self.look, window) for t, r in own.follows]
        return Recovery(
            device=device.key,
            from_ns=window.from_ns,
            due_ns=due_ns,
            until_ns=window.until_ns,
            any_request=device.limits.fed_by == FedBy(),
            requests=self._returned(),
            reply=first_reply(case, rows),
            setpoint=first_written(case, own.setpoints, window.until_ns) if returned else None,
            full_round=full_round(case, rows, polls),
            polls=len(polls),
            written=tuple(w for w in written if w),
            on_loss=device.limits.on_loss,
            resets=reset,
            proof=proof(case, device, own.status, self.look, window, after) if own.status else None,
            feedback=tuple(f for f in found if isinstance(f, Feedback)),
            feedback_looked_at=sum(f is not None for f in found),
        )

    def _returned(self) -> Step | None:
        row = self.silence.after
        if row is None:
            return None
        return Step(int(self.case.exchange.request_ns[row]), row, self.case.request_frames([row])[0])


def _window(case: Case, device: DeviceFigures, silence: Silence) -> Window:
    """From the silence's beginning to that of the next one that does not follow at once."""
    ends_ns = (case.facts.ends_ns or silence.until_ns) + 1
    end = device.silences.end
    later = [*device.silences.beyond, *([end] if end and device.silences.end_is_due else [])]
    chained_ns, horizon_ns = silence.until_ns, ends_ns
    for each in sorted(later, key=lambda s: s.from_ns):
        if each.from_ns <= silence.from_ns:
            continue
        if each.from_ns > chained_ns:
            horizon_ns = each.from_ns
            break
        chained_ns = max(chained_ns, each.until_ns)
    latest_ns = silence.until_ns - silence.shortest_ns
    due_by_ns = latest_ns + (limit_ns(device.limits) or silence.shortest_ns)
    from_ns = extent(silence)[0]
    due_from_ns = from_ns + 2 * (device.limits.watchdog_ns or 0) - (limit_ns(device.limits) or 0)
    return Window(from_ns, due_from_ns, due_by_ns, silence.until_ns, horizon_ns)
