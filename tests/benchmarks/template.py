"""A plan → pcap records as bytes, whose changing fields are set anew for each use."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.headers import ETHERNET_BYTES, RECORD_BYTES, TCP_BYTES, matrix_of, recorded_bytes
from tests.benchmarks.plan import ACK, Plan
from tests.benchmarks.shape import Connections, Ints, Shape

COPY_US = 3  # how much later a mirror port's second copy comes


@dataclass
class State:
    """What the flows have come to: sequence numbers and IP identifications, shape (flows,)."""

    sequence: Ints
    identification: Ints
    transaction: int
    time_us: int

    def move(self, plan: Plan) -> None:
        """Go on by what a plan used."""
        self.sequence = self.sequence + plan.sequence_used & 0xFFFFFFFF
        self.identification = self.identification + plan.identifications_used & 0xFFFF
        self.transaction += plan.transactions_used
        self.time_us += plan.span_us


class Template:
    """The records of a plan, one after the other in ``data``."""

    def __init__(self, shape: Shape, connections: Connections, plan: Plan) -> None:
        self.plan, self.shape = plan, shape
        frames = plan.frames
        if shape.double:
            frames = frames.take(np.repeat(np.arange(len(frames.flow)), 2))
        self.frames = frames
        matrix = matrix_of(shape, connections, frames)
        tcp_at = RECORD_BYTES + ETHERNET_BYTES + shape.ip_bytes
        words = matrix.view(">u2")
        self._ip_sum = words[:, 15:25].sum(axis=1, dtype=np.int64)
        # The sum over the pseudo-header: addresses, protocol and TCP length (RFC 9293, section 3.1).
        tcp_bytes = TCP_BYTES + frames.option_bytes + frames.payload_bytes
        address_words = words[:, tcp_at // 2 - (16 if shape.ipv6 else 4) : tcp_at // 2]
        self._tcp_sum = address_words.sum(axis=1, dtype=np.int64) + 6 + tcp_bytes
        self._tcp_sum += words[:, tcp_at // 2 :].sum(axis=1, dtype=np.int64)
        length = RECORD_BYTES + recorded_bytes(shape, frames)
        self.start = np.cumsum(length) - length
        self.end = self.start + length
        self.data = matrix[np.arange(matrix.shape[1]) < length[:, None]]
        self._tcp = self.start + tcp_at
        self._head_rows = np.flatnonzero(frames.begins)
        self._value_rows = np.flatnonzero(frames.value_at >= 0)
        self.requests = (frames.begins == 1) & (frames.flow % 2 == 0)

    def fill(self, state: State, rng: np.random.Generator) -> None:
        """Set times, sequence numbers, identifications, transaction identifiers, values and checksums."""
        self._set_times(state, rng)
        frames, tcp = self.frames, self._tcp
        sequence = state.sequence[frames.flow] + frames.sequence & 0xFFFFFFFF
        acknowledged = state.sequence[frames.flow ^ 1] + frames.acknowledged & 0xFFFFFFFF
        acknowledged *= frames.flags & ACK != 0
        self._put(tcp + 4, sequence, 4)
        self._put(tcp + 8, acknowledged, 4)
        total = self._tcp_sum + (sequence >> 16) + (sequence & 0xFFFF)
        total += (acknowledged >> 16) + (acknowledged & 0xFFFF)
        self._set_payload(state, total)
        self._put(tcp + 16, _checksum(total), 2)
        if not self.shape.ipv6:
            self._set_identification(state)

    def _set_times(self, state: State, rng: np.random.Generator) -> None:
        """Every frame up to 40 µs late, none before its predecessor."""
        time_us = state.time_us + self.frames.time_us + rng.integers(0, 40, len(self.start))
        if self.shape.double:
            time_us[1::2] = time_us[0::2] + COPY_US
        time_us = np.maximum.accumulate(time_us)
        second = time_us // 1_000_000
        self._put(self.start, second, 4, little=True)
        self._put(self.start + 4, time_us - 1_000_000 * second, 4, little=True)

    def _set_identification(self, state: State) -> None:
        identification = state.identification[self.frames.flow] + self.frames.identification & 0xFFFF
        ip = self.start + RECORD_BYTES + ETHERNET_BYTES
        self._put(ip + 4, identification, 2)
        self._put(ip + 10, _checksum(self._ip_sum + identification), 2)

    def _set_payload(self, state: State, total: Ints) -> None:
        """Transaction identifiers, and written values that differ each time; both enter the checksum."""
        rows = self._head_rows
        transaction = state.transaction + self.frames.transaction[rows] & 0xFFFF
        self._put(self._tcp[rows] + TCP_BYTES, transaction, 2)
        total[rows] += transaction
        rows = self._value_rows
        value = (state.transaction + self.frames.transaction[rows]) * 7919 & 0xFFFF
        at = self.frames.value_at[rows]
        self._put(self._tcp[rows] + TCP_BYTES + at, value, 2)
        total[rows] += np.where(at % 2 == 0, value, (value & 0xFF) << 8 | value >> 8)

    def _put(self, at: Ints, value: Ints, width: int, little: bool = False) -> None:
        for byte in range(width):
            shift = 8 * (byte if little else width - 1 - byte)
            self.data[at + byte] = value >> shift & 0xFF


def _checksum(total: Ints) -> Ints:
    """RFC 1071: the one's complement of the one's complement sum."""
    total = (total & 0xFFFF) + (total >> 16)
    total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
