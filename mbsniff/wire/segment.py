"""One whole frame's bytes in, the Modbus messages that lie whole in it out; for a second look, uncompiled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION
from mbsniff.wire.framing import is_serial
from mbsniff.wire.ip import DATAGRAM, FOUND, tcp_segment
from mbsniff.wire.link import IPV4, IPV6, LINK_NOTHING, network_header
from mbsniff.wire.rows import CLIENT, NO_IDENTIFIER, SERVER
from mbsniff.wire.rtu import CRC_BYTES, rtu_length
from mbsniff.wire.unwrap import Unwrapper

_TCP_HEADER = 20  # RFC 9293, section 3.1
_END_OF_OPTIONS, _NO_OPERATION, _TIME_STAMPS = 0, 1, 8  # RFC 9293, section 3.1; RFC 7323, section 3.2
_UDP_HEADER = 8  # RFC 768
_MBAP_BYTES = 7  # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3
_LEAST, _MOST = 2, 254  # the length field counts the unit identifier and the PDU (the same, and 3.1.2)


@dataclass(frozen=True)
class Message:
    """A message's identifier (NO_IDENTIFIER in serial framing), unit and PDU."""

    identifier: int
    unit: int
    pdu: bytes


@dataclass(frozen=True)
class Segment:
    """The ends of a TCP segment or UDP datagram, its numbers, and the messages in it."""

    source_port: int
    destination_port: int
    messages: tuple[Message, ...]
    source: bytes = b""
    """The sender's address."""
    destination: bytes = b""
    sequence: int = 0
    acknowledgement: int = 0
    size: int = 0
    """Bytes of data, on the wire."""
    stamp: int | None = None
    """The sender's time stamp, where the segment has one."""

    @property
    def following(self) -> int:
        """Sequence number after its last byte of data."""
        return (self.sequence + self.size) & 0xFFFFFFFF


def read_segment(frame: bytes, original_bytes: int, link: int) -> Segment | None:
    """The frame's TCP segment or UDP datagram, within tunnels and tags too, or None where it has none of its own.

    ``original_bytes``: the frame's length on the wire. Messages are sought from the segment's first byte on, one
    after the other; one that another segment continues, or that the recorder cut, is left out.
    """
    wire_bytes = max(original_bytes, len(frame))
    return _plain(frame, wire_bytes, link) or _hidden(frame, wire_bytes, link)


def _plain(frame: bytes, wire_bytes: int, link: int) -> Segment | None:
    data: Any = frame
    version, at = network_header(data, 0, len(frame), link)
    if version not in (IPV4, IPV6):
        return None
    found, begin, end = tcp_segment(data, at, len(frame), wire_bytes, version)
    if found not in (FOUND, DATAGRAM) or len(frame) - begin < (
        _TCP_HEADER if found == FOUND else _UDP_HEADER
    ):
        return None
    source, destination = (int.from_bytes(frame[begin + k : begin + k + 2], "big") for k in (0, 2))
    header = (frame[begin + 12] >> 4) * 4 if found == FOUND else _UDP_HEADER
    first = begin + header
    messages = messages_in(frame[first : min(end, len(frame))])
    width, behind = (4, at + 12) if version == IPV4 else (16, at + 8)  # RFC 791, 3.1; RFC 8200, 3
    ends = frame[behind : behind + width], frame[behind + width : behind + 2 * width]
    if found == DATAGRAM:
        return Segment(source, destination, messages, *ends, size=max(end - first, 0))
    sequence, acknowledgement = (int.from_bytes(frame[begin + k : begin + k + 4], "big") for k in (4, 8))
    size, stamp = max(end - first, 0), _stamp(frame[begin + _TCP_HEADER : first])
    return Segment(source, destination, messages, *ends, sequence, acknowledgement, size, stamp)


def _stamp(options: bytes) -> int | None:
    """TSval of the time stamps option (RFC 7323, 3.2), None without one."""
    at = 0
    while at < len(options) and options[at] != _END_OF_OPTIONS:
        if options[at] == _NO_OPERATION:
            at += 1
            continue
        length = options[at + 1] if at + 1 < len(options) else 0
        if length < 2:
            return None
        if options[at] == _TIME_STAMPS and length == 10 and at + 10 <= len(options):
            return int.from_bytes(options[at + 2 : at + 6], "big")
        at += length
    return None


def _hidden(frame: bytes, wire_bytes: int, link: int) -> Segment | None:
    """The same of what lies within the frame, below layers that only the unwrapper knows."""
    row = np.array([[0, len(frame), wire_bytes, 0, link]], np.int64)
    data, rows = Unwrapper(compiled=False).reveal(np.frombuffer(bytearray(frame), np.uint8), row, 0)
    position, captured, original, inner = (int(rows[0, c]) for c in (POSITION, CAPTURED, ORIGINAL, LINK))
    if inner == LINK_NOTHING:
        return None
    return _plain(data[position : position + captured].tobytes(), max(original, captured), inner)


def messages_in(payload: bytes) -> tuple[Message, ...]:
    """The whole messages that follow one another from the payload's first byte on, in either framing."""
    return serial_messages_in(payload) or mbap_messages_in(payload)


def mbap_messages_in(payload: bytes) -> tuple[Message, ...]:
    """Those with an MBAP header."""
    found = []
    at = 0
    while len(payload) - at > _MBAP_BYTES:
        identifier, protocol, length = (
            int.from_bytes(payload[at + k : at + k + 2], "big") for k in (0, 2, 4)
        )
        end = at + 6 + length
        if protocol or not _LEAST <= length <= _MOST or end > len(payload):
            break
        found.append(Message(identifier, payload[at + 6], payload[at + _MBAP_BYTES : end]))
        at = end
    return tuple(found)


def serial_messages_in(payload: bytes) -> tuple[Message, ...]:
    """The frames of serial framing that fill the payload, none where anything else stands in it."""
    data: Any = payload
    for side in (SERVER, CLIENT):
        if payload and is_serial(data, 0, len(payload), side):
            return tuple(_serial(payload, side))
    return ()


def _serial(payload: bytes, side: int) -> Iterator[Message]:
    at = 0
    data: Any = payload
    while 0 < (length := rtu_length(data, at, len(payload) - at, side)) <= len(payload) - at:
        yield Message(NO_IDENTIFIER, payload[at], payload[at + 1 : at + length - CRC_BYTES])
        at += length
