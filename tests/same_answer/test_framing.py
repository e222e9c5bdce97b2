"""The framing, and TCP or UDP, do not change what was asked and when it was answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from mbsniff.wire.segment import mbap_messages_in
from tests.builders.packets import SYN, Link
from tests.builders.recorder import Record
from tests.builders.serial import rtu, udp_packet
from tests.same_answer.frames import NAMES, path_of, records_of, written
from tests.same_answer.test_segments import Segment, segment_of, transactions

SAVED_BYTES = 4  # an MBAP header has 7 bytes; unit and CRC have 3
End = tuple[str, int]


@dataclass
class Rewriter:
    """Puts each message in serial framing, and moves TCP's numbers by the bytes saved before."""

    ends: dict[tuple[End, End], set[int]] = field(default_factory=dict)
    """Where messages ended, by flow."""

    def rewrite(self, segment: Segment) -> Segment:
        own, other = (segment.source, segment.target), (segment.target, segment.source)
        if segment.flags & SYN:
            self.ends[own] = set()
        seq, ack = self._moved(own, segment.seq), self._moved(other, segment.ack)
        at = segment.seq
        for message in mbap_messages_in(segment.payload):
            at += 7 + len(message.pdu)
            self.ends.setdefault(own, set()).add(at % 2**32)
        return replace(segment, seq=seq, ack=ack, payload=serial(segment.payload))

    def _moved(self, flow: tuple[End, End], number: int) -> int:
        before = [end for end in self.ends.get(flow, ()) if (number - end) % 2**32 < 2**31]
        return number - SAVED_BYTES * len(before)


def serial(payload: bytes) -> bytes:
    """The payload's messages in serial framing."""
    messages = mbap_messages_in(payload)
    assert sum(7 + len(m.pdu) for m in messages) == len(payload)
    return b"".join(rtu(message.unit, message.pdu) for message in messages)


def in_serial_framing(records: Sequence[Record]) -> list[Record]:
    rewriter = Rewriter()
    segments = [(record, segment_of(record)) for record in records]
    return [
        rewriter.rewrite(s).record() if s and 502 in (s.source[1], s.target[1]) else r for r, s in segments
    ]


def as_datagrams(records: Sequence[Record], framing: str) -> list[Record]:
    """Every segment that carries messages, sent once, as a datagram; nothing else of TCP."""
    made, sent = [], set()
    for record in records:
        segment = segment_of(record)
        if segment is None:
            made.append(record)
        elif segment.payload and (key := (segment.source, segment.target, segment.seq)) not in sent:
            sent.add(key)
            payload = segment.payload if framing == "MBAP" else serial(segment.payload)
            frame = Link().wrap(udp_packet(segment.source, segment.target, payload, segment.ip_id))
            made.append((segment.time_ns, frame, len(frame)))
    return made


def without_order(path: Path, *leave: str) -> list[dict[str, Any]]:
    """All transactions, those matched by order alone as answered ones."""
    found = transactions(path, timed=True)
    for one in found:
        if one["status"] == "by-order":
            one["status"] = "answered"
        for name in leave:
            one.pop(name)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_serial_framing(tmp_path: Path, name: str) -> None:
    """Every message in serial framing: the same transactions to the nanosecond."""
    made = written(tmp_path, in_serial_framing(records_of(path_of(name))))
    assert without_order(made) == without_order(path_of(name))


@pytest.mark.parametrize("framing", ["MBAP", "serial"])
@pytest.mark.parametrize("name", ["healthy-shift.pcap", "block-edge.pcap"])
def test_datagrams(tmp_path: Path, name: str, framing: str) -> None:
    """Every message by UDP, where none is lost: the same transactions, without TCP's acknowledgements."""
    made = written(tmp_path, as_datagrams(records_of(path_of(name)), framing))
    assert without_order(made, "ack_s") == without_order(path_of(name), "ack_s")
