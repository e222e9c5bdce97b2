"""A shape → rows of frames in time order: the handshakes, or some cycles of polling."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks import payloads
from tests.benchmarks.shape import Bytes, Ints, Shape, poll_table

SYN, PUSH, ACK = 0x02, 0x08, 0x10  # RFC 9293, section 3.1
MAXIMUM_SEGMENT = (2, 4, 0x05, 0xB4)  # RFC 9293, section 3.2: kind 2, length 4, 1460 bytes


@dataclass
class Frames:
    """One row a frame; sequence numbers and the like are offsets from the flow's state at the start."""

    flow: Ints
    time_us: Ints
    sequence: Ints
    acknowledged: Ints
    identification: Ints
    transaction: Ints
    """Offset of the transaction identifier."""
    begins: Ints
    """1 where the payload begins with an MBAP header, else 0."""
    value_at: Ints
    """Where in the payload the written value stands that changes each time; -1: nowhere."""
    flags: Ints
    option_bytes: Ints
    """TCP options, which stand at the start of ``payload``."""
    payload_bytes: Ints
    payload: Bytes
    """Shape (n, payloads.WIDTH)."""

    def take(self, order: NDArray[np.intp]) -> Frames:
        """The rows in another order, or repeated."""
        return Frames(**{f.name: getattr(self, f.name)[order] for f in fields(self)})


@dataclass
class Plan:
    """Rows of frames, and by how much they move the state of each flow and connection on."""

    frames: Frames
    sequence_used: Ints
    """Shape (flows,), of TCP's sequence space."""
    identifications_used: Ints
    """Shape (flows,)."""
    transactions_used: int
    """On each connection."""
    span_us: int


def _frames(flow: Ints, time_us: Ints, payload: Bytes | None = None, **given: Ints | int) -> Frames:
    """Rows of which everything not given is 0 (``value_at``: -1, ``flags``: ACK)."""
    count = len(flow)
    given = {"value_at": -1, "flags": ACK, **given}
    names = [f.name for f in fields(Frames)][2:-1]
    columns = {name: np.broadcast_to(np.asarray(given.get(name, 0)), (count,)) for name in names}
    if payload is None:
        payload = np.zeros((count, payloads.WIDTH), np.uint8)
    return Frames(flow, time_us, **columns, payload=payload)


def _in_order(parts: list[Frames]) -> Frames:
    joined = Frames(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Frames)})
    return joined.take(np.argsort(joined.time_us, kind="stable"))


def handshakes(shape: Shape) -> Plan:
    """SYN, SYN with ACK, and ACK of each connection."""
    flow = 2 * np.arange(shape.connections)
    time_us = 100 * np.arange(shape.connections)
    option = np.zeros((len(flow), payloads.WIDTH), np.uint8)
    option[:, :4] = MAXIMUM_SEGMENT
    frames = _in_order(
        [
            _frames(flow, time_us, option, flags=SYN, option_bytes=4),
            _frames(flow + 1, time_us + 30, option, flags=SYN | ACK, acknowledged=1, option_bytes=4),
            _frames(flow, time_us + 50, sequence=1, acknowledged=1, identification=1),
        ]
    )
    used = np.ones(2 * shape.connections, np.int64)
    return Plan(frames, used, np.tile([2, 1], shape.connections), 0, 100 * shape.connections + 10_000)


class _Polling:
    """Cycles in which every connection makes one transaction each; one row a transaction."""

    def __init__(self, shape: Shape, first_cycle: int, cycles: int) -> None:
        self.shape, self.cycles = shape, cycles
        rng = np.random.default_rng([shape.seed, 1, first_cycle])
        grid = np.indices((cycles, shape.connections)).reshape(2, -1)
        self.cycle, self.connection = grid
        self.polls = self._polls(first_cycle)
        self.request, self.request_bytes = payloads.requests(self.polls, rng)
        self.reply, self.reply_bytes = payloads.replies(self.polls, self.request, rng)
        self.split = rng.random(len(self.polls)) < shape.shuffle
        self._set_times(rng)
        per = shape.frames_per_transaction
        self.early = int(per > 3)  # acknowledgements by the device before its reply
        self.from_master = np.full(len(self.polls), 1 + (per > 2))
        self.from_device = 1 + self.early + self.split
        self.asked, self.replied = self._before(self.request_bytes), self._before(self.reply_bytes)
        self.id_master, self.id_device = self._before(self.from_master), self._before(self.from_device)

    def _polls(self, first_cycle: int) -> Ints:
        """Each connection begins elsewhere in the list; only the first master writes."""
        place = (self.cycle + first_cycle + self.connection) % len(poll_table(False))
        writes = self.connection % self.shape.masters == 0
        polls: Ints = np.where(writes[:, None], poll_table(True)[place], poll_table(False)[place])
        return polls

    def _set_times(self, rng: np.random.Generator) -> None:
        """Requests in the first half of each cycle, all done before its end."""
        shape, count = self.shape, len(self.polls)
        phase = np.random.default_rng([shape.seed, 2]).random(shape.connections)[self.connection]
        place = rng.random(count) if shape.random_order else phase + 0.02 * rng.random(count)
        self.asked_us = (shape.cycle_us * (self.cycle + 0.5 * place)).astype(np.int64)
        self.replied_us = self.asked_us + np.clip(rng.lognormal(8.2, 0.4, count), 800, 40_000).astype(
            np.int64
        )
        self.heard_us = self.replied_us + rng.integers(100, 40_000, count)

    def _before(self, amount: Ints) -> Ints:
        """What the connection had of it before each of its transactions."""
        grid = amount.reshape(self.cycles, -1)
        return (np.cumsum(grid, axis=0) - grid).ravel()

    def used(self, master: Ints, device: Ints) -> Ints:
        """Totals of each flow."""
        return np.stack([a.reshape(self.cycles, -1).sum(0) for a in (master, device)], axis=1).ravel()

    def frames(self) -> Frames:
        """All frames of all transactions, in the order recorded."""
        parts = [self._requests(), self._replies(), self._second_halves()]
        if self.shape.frames_per_transaction > 2:
            parts.append(self._acknowledgements())
        return _in_order(parts + ([self._early_acknowledgements()] if self.early else []))

    def _requests(self) -> Frames:
        function = self.polls[:, 0]
        written = [function == payloads.WRITE_ONE, function == payloads.WRITE_SEVERAL]
        return _frames(
            2 * self.connection, self.asked_us, self.request, payload_bytes=self.request_bytes,
            flags=PUSH | ACK, sequence=self.asked, acknowledged=self.replied, identification=self.id_master,
            transaction=self.cycle, begins=1, value_at=np.select(written, [10, 13], -1),
        )  # fmt: skip

    def _cut(self) -> Ints:
        """Bytes of each reply in its first segment: an even half, or all."""
        return np.where(self.split, self.reply_bytes // 2 & ~1, self.reply_bytes)

    def _replies(self) -> Frames:
        echoes = (self.polls[:, 0] == payloads.WRITE_ONE) & ~self.split
        return _frames(
            2 * self.connection + 1, self.replied_us + 40 * self.split, self.reply, payload_bytes=self._cut(),
            sequence=self.replied, acknowledged=self.asked + self.request_bytes, flags=PUSH | ACK,
            identification=self.id_device + self.early,
            transaction=self.cycle, begins=1, value_at=np.where(echoes, 10, -1),
        )  # fmt: skip

    def _second_halves(self) -> Frames:
        """Of split replies; they are recorded before the first halves."""
        cut, rows = self._cut()[:, None], np.flatnonzero(self.split)
        column = np.minimum(np.arange(payloads.WIDTH) + cut[rows], payloads.WIDTH - 1)
        echoes = self.polls[:, 0] == payloads.WRITE_ONE
        whole = _frames(
            2 * self.connection + 1, self.replied_us, payload_bytes=self.reply_bytes - self._cut(),
            sequence=self.replied + self._cut(), acknowledged=self.asked + self.request_bytes,
            flags=PUSH | ACK, identification=self.id_device + self.early + 1,
            transaction=self.cycle, value_at=np.where(echoes, 10 - self._cut(), -1),
        )  # fmt: skip
        half = whole.take(rows)
        half.payload = np.take_along_axis(self.reply[rows], column, axis=1)
        return half

    def _acknowledgements(self) -> Frames:
        return _frames(
            2 * self.connection, self.heard_us, sequence=self.asked + self.request_bytes,
            acknowledged=self.replied + self.reply_bytes, identification=self.id_master + 1,
        )  # fmt: skip

    def _early_acknowledgements(self) -> Frames:
        return _frames(
            2 * self.connection + 1, self.asked_us + 200, sequence=self.replied,
            acknowledged=self.asked + self.request_bytes, identification=self.id_device,
        )  # fmt: skip


def polling(shape: Shape, first_cycle: int, cycles: int) -> Plan:
    """The cycles from ``first_cycle`` on, as many as asked for."""
    made = _Polling(shape, first_cycle, cycles)
    return Plan(
        made.frames(),
        made.used(made.request_bytes, made.reply_bytes),
        made.used(made.from_master, made.from_device),
        cycles,
        cycles * shape.cycle_us,
    )
