"""One whole frame's bytes in, the Modbus messages that lie whole in it out; for a second look, uncompiled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from mbsniff.wire.ip import FOUND, tcp_segment
from mbsniff.wire.link import IPV4, IPV6, network_header

_TCP_HEADER = 20  # RFC 9293, section 3.1
_MBAP_BYTES = 7  # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3
_LEAST, _MOST = 2, 254  # the length field counts the unit identifier and the PDU (the same, and 3.1.2)


@dataclass(frozen=True)
class Message:
    """An MBAP header's fields and the PDU after it."""

    identifier: int
    unit: int
    pdu: bytes


@dataclass(frozen=True)
class Segment:
    """A TCP segment's ports and the messages in it."""

    source_port: int
    destination_port: int
    messages: tuple[Message, ...]


def read_segment(frame: bytes, original_bytes: int, link: int) -> Segment | None:
    """The frame's TCP segment, or None where it has none.

    ``original_bytes``: the frame's length on the wire. Messages are sought from the segment's first byte on, one
    after the other; one that another segment continues, or that the recorder cut, is left out.
    """
    data: Any = frame
    seen, wire = len(frame), max(original_bytes, len(frame))
    version, at = network_header(data, 0, seen, link)
    if version not in (IPV4, IPV6):
        return None
    found, begin, end = tcp_segment(data, at, seen, wire, version)
    if found != FOUND or seen - begin < _TCP_HEADER:
        return None
    source, destination = (int.from_bytes(frame[begin + k : begin + k + 2], "big") for k in (0, 2))
    payload = frame[begin + (frame[begin + 12] >> 4) * 4 : min(end, seen)]
    return Segment(source, destination, messages_in(payload))


def messages_in(payload: bytes) -> tuple[Message, ...]:
    """The whole messages that follow one another from the payload's first byte on."""
    found = []
    at = 0
    while len(payload) - at > _MBAP_BYTES:
        identifier, protocol, length = (int.from_bytes(payload[at + k : at + k + 2], "big") for k in (0, 2, 4))
        end = at + 6 + length
        if protocol or not _LEAST <= length <= _MOST or end > len(payload):
            break
        found.append(Message(identifier, payload[at + 6], payload[at + _MBAP_BYTES : end]))
        at = end
    return tuple(found)
