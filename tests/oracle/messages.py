"""The streams of a connection in, its events in order out: messages, closes and unrecorded bytes."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from itertools import accumulate

from tests.oracle.connections import Connection
from tests.oracle.layers import Segment
from tests.oracle.streams import Piece, Stream, streams

# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: the length counts unit identifier and PDU;
# MODBUS Application Protocol Specification V1.1b3, 4.1: a PDU has at most 253 bytes.
BEFORE_UNIT, SHORTEST, LONGEST = 6, 2, 254


@dataclass(frozen=True)
class Message:
    """A Modbus message, complete with ``frame``; ``again``: later frames that bear its last byte."""

    from_client: bool
    frame: int
    place: int
    """Where it ends in its stream: orders the messages that one frame completes."""
    transaction: int
    unit: int
    pdu: bytes
    again: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class Close:
    """A side has closed (FIN), or the connection is over (RST, another handshake)."""

    frame: int
    by_client: bool
    at_once: bool
    """Whether nothing can follow: RST or another handshake."""


@dataclass(frozen=True)
class Traffic:
    """What happened on one connection; ``holes`` are (bytes, frame that shows them) per direction."""

    connection: Connection
    events: list[Message | Close]
    request_holes: list[tuple[int, int]]
    reply_holes: list[tuple[int, int]]


def traffic(connection: Connection) -> Traffic:
    """Put a connection in order."""
    sides = streams(connection)
    messages = [
        message
        for side, parts in sides.items()
        for stream in parts
        for message in _messages(stream, from_client=side == connection.client)
    ]
    closes = [*_fins(connection, sides), *_ends(connection)]
    holes = {side: [hole for stream in parts for hole in stream.holes()] for side, parts in sides.items()}
    return Traffic(
        connection,
        sorted([*messages, *closes], key=_order),
        holes[connection.client],
        holes[connection.server],
    )


def _order(event: Message | Close) -> tuple[int, int, int]:
    """By frame; a frame's messages come before the FIN that it bears, another handshake before all else."""
    if isinstance(event, Message):
        return event.frame, 1, event.place
    return event.frame, 0 if event.at_once else 2, 0


def _fins(connection: Connection, sides: dict[tuple[str, int], list[Stream]]) -> list[Close]:
    """Each side's FIN, once all that was recorded before it is there."""
    result = []
    for side, parts in sides.items():
        for stream in parts:
            if stream.fin:
                position, frame = stream.fin
                before = [piece.frame for piece in stream.pieces if piece.start < position]
                result.append(Close(max([frame, *before]), side == connection.client, at_once=False))
    return result


def _ends(connection: Connection) -> list[Close]:
    def close(segment: Segment) -> Close:
        return Close(segment.frame, connection.sent_by_client(segment), at_once=True)

    resets = [close(segment) for segment in connection.segments if segment.rst]
    return resets + ([close(connection.ended_by)] if connection.ended_by else [])


def _messages(stream: Stream, *, from_client: bool) -> list[Message]:
    latest = 0
    result: list[Message] = []
    for run in stream.runs():
        frames = list(accumulate((piece.frame for piece in run), max, initial=latest))[1:]
        ends = [piece.end for piece in run]
        latest = frames[-1]
        in_step = stream.from_handshake and run[0].start == stream.base
        for end, data in _cut(run, stream.starts, in_step):
            frame = frames[bisect_left(ends, end)]
            again = [at for first, last, at in stream.again if first < end <= last and at > frame]
            transaction, unit = int.from_bytes(data[:2], "big"), data[6]
            result.append(Message(from_client, frame, end, transaction, unit, data[7:], again))
    return result


def _cut(run: list[Piece], starts: list[int], in_step: bool) -> list[tuple[int, bytes]]:
    """Messages as (end, bytes). Out of step, they go on at the next segment that begins like one."""
    base, data = run[0].start, b"".join(piece.data for piece in run)
    result = []
    at = 0
    if not in_step:
        at = _next_start(data, base, starts, 0)
    while at + BEFORE_UNIT <= len(data):
        if not _plausible(data, at):
            at = _next_start(data, base, starts, at + 1)
            continue
        end = at + BEFORE_UNIT + int.from_bytes(data[at + 4 : at + 6], "big")
        if end > len(data):
            break
        result.append((base + end, data[at:end]))
        at = end
    return result


def _plausible(data: bytes, at: int) -> bool:
    protocol, length = (int.from_bytes(data[i : i + 2], "big") for i in (at + 2, at + 4))
    return at + BEFORE_UNIT <= len(data) and protocol == 0 and SHORTEST <= length <= LONGEST


def _next_start(data: bytes, base: int, starts: list[int], at: int) -> int:
    for start in starts[bisect_left(starts, base + at) : bisect_right(starts, base + len(data))]:
        if _plausible(data, start - base):
            return start - base
    return len(data)
