"""One device of the recording, or of the site alone, with all that its requirements are judged by."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mbsniff.audit.echoes import Echoes, echoes
from mbsniff.diagnose import Diagnosis, Evidence, Finding
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.blocks import parts
from mbsniff.diagnose.registers.readings import Readings, SecondLook
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.exchange.columns import E_AMOUNT, E_KIND, E_SIDE
from mbsniff.measure import DeviceFigures, PollFigures
from mbsniff.measure.addresses import Block, read_block, written_block
from mbsniff.measure.habits import LinksByPair
from mbsniff.site import Device, Limits, Register
from mbsniff.wire.rows import CLIENT, SERVER, UNRECORDED

Hardware = dict[str, tuple[str, ...]]
"""IP address → hardware addresses seen to use it, as RFC 7042 writes them."""

Side = Literal["requests", "replies"]
_EVER = (0, 1 << 62)


@dataclass(frozen=True)
class Subject:
    """A device that is audited."""

    case: Case
    diagnosis: Diagnosis
    declared: Device | None
    limits: Limits
    figures: DeviceFigures | None
    """None where the recording shows nothing of it."""
    traces: tuple[Trace, ...]
    look: SecondLook
    links: LinksByPair
    hardware: Hardware | None
    """None where the recording cannot be read again."""

    @property
    def seen(self) -> DeviceFigures:
        """Its figures; only for devices that the recording shows."""
        assert self.figures is not None
        return self.figures

    @property
    def registers(self) -> tuple[Register, ...]:
        """Those declared."""
        return self.declared.registers if self.declared else ()

    @functools.cached_property
    def echoes(self) -> Echoes:
        """What came of comparing replies to writes with their requests."""
        return echoes(self.case, self.seen, self.look)

    def readings(self, register: Register) -> Readings:
        """What was read from a register that the site names."""
        return self.look.readings(self.seen, register)

    def lost_bytes(self, side: Side) -> int:
        """Bytes of the endpoint's requests or replies that TCP shows were sent but the recording lacks."""
        events = self.case.events(self.seen, *_EVER)
        sender = CLIENT if side == "requests" else SERVER
        lost = (events[:, E_KIND] == UNRECORDED) & (events[:, E_SIDE] == sender)
        return int(events[lost, E_AMOUNT].sum())

    def findings(self, *codes: str) -> list[Finding]:
        """The diagnosis's findings of these codes about any device of the endpoint, the worst first."""
        keys = {each.key for each in self.case.devices_at(self.seen)}
        return [f for f in self.diagnosis.findings if f.code in codes and f.device in keys]

    def own_findings(self, *codes: str) -> list[Finding]:
        """The same about this device."""
        return [f for f in self.findings(*codes) if f.device == self.seen.key]

    def rows_of(self, polls: list[PollFigures]) -> NDArray[np.int32]:
        """The transactions of some of its polls, in time order."""
        rows = self.case.transactions(self.seen)
        return np.asarray(rows[np.isin(self.case.exchange.poll[rows], [p.row for p in polls])], np.int32)

    def requests_of(self, polls: list[PollFigures]) -> tuple[Evidence, ...]:
        """The first frames with requests of some of its polls."""
        return self.case.request_frames(self.rows_of(polls).tolist())

    def client(self, poll: PollFigures) -> str:
        """The very address that a poll comes from, whatever master or group it belongs to."""
        return self.case.exchange.pairs[self.case.figures.groups.keys[poll.row].pair].client

    def stretches(self, poll: PollFigures, *, written: bool) -> list[tuple[Register | None, Block]]:
        """The declared registers, or gaps between them, that a poll reads or writes."""
        block = written_block(poll) if written else read_block(poll)
        if block is None:
            return []
        return [(r, (block[0], first, count)) for r, first, count in parts(block, self.registers)]
