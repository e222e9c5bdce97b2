"""One direction of a connection in; its bytes in order out, with the frames that brought them, and holes."""

from __future__ import annotations

from bisect import bisect_right, insort
from dataclasses import dataclass, field
from functools import cached_property

from tests.oracle.connections import Address, Connection
from tests.oracle.layers import Segment

# A number farther off than this belongs to no byte of this stream.
FAR_BYTES = 1 << 24
_START = 1 << 32  # absolute sequence numbers count from here, so that none is negative


@dataclass(frozen=True, order=True)
class Piece:
    """Bytes [start, end) as first brought in by one frame."""

    start: int
    end: int
    frame: int
    data: bytes


@dataclass
class Stream:
    """What one side sent, on an absolute sequence scale."""

    base: int = -1
    """The first byte that may have been sent while recording; -1 until anything shows it."""
    from_handshake: bool = False
    highest: int = -1
    pieces: list[Piece] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    """Where recorded segments with data begin."""
    again: list[tuple[int, int, int]] = field(default_factory=list)
    """Data sent again: (start, end, frame)."""
    shown: list[tuple[int, int]] = field(default_factory=list)
    """(end, frame): this frame shows that all bytes before ``end`` have been sent."""
    fin: tuple[int, int] | None = None
    """(position, frame) of the first FIN."""
    base_is_probe: bool = False

    def place(self, number: int) -> int:
        """The absolute position of a 32-bit sequence number: the one nearest to the highest known."""
        if self.highest < 0:
            return _START + number
        distance = (number - self.highest) % 2**32
        return self.highest + (distance - 2**32 if distance >= 2**31 else distance)

    def is_far(self, position: int) -> bool:
        return self.highest >= 0 and abs(position - self.highest) > FAR_BYTES

    def show(self, end: int, frame: int) -> None:
        """Note that all bytes before ``end`` have been sent by the time of this frame."""
        if self.base < 0:
            self.base = end
        self.highest = max(self.highest, end)
        self.shown.append((end, frame))

    def add(self, position: int, segment: Segment) -> None:
        """Take in the payload of a segment of this direction."""
        end = position + segment.length
        is_probe = segment.length <= 1 and position == self.highest - 1 and not segment.fin
        if self.base < 0:
            self.base = position
            self.base_is_probe = segment.length <= 1 and not segment.fin
        if segment.length and not is_probe:
            if self._near(position, end):
                self.again.append((position, end, segment.frame))
            insort(self.starts, position)
            self._keep(position, segment)
        if segment.fin and self.fin is None:
            self.fin = (end, segment.frame)
        self.show(position if is_probe else end, segment.frame)

    def _keep(self, position: int, segment: Segment) -> None:
        """Keep those bytes that no earlier frame brought in."""
        at, end = max(position, self.base), position + len(segment.payload)
        for piece in [*self._near(at, end), Piece(end, end, segment.frame, b"")]:
            if at < piece.start:
                data = segment.payload[at - position : piece.start - position]
                insort(self.pieces, Piece(at, piece.start, segment.frame, data))
            at = max(at, piece.end)

    def _near(self, start: int, end: int) -> list[Piece]:
        at = max(bisect_right(self.pieces, start, key=lambda piece: piece.start) - 1, 0)
        last = bisect_right(self.pieces, end - 1, key=lambda piece: piece.start)
        return [piece for piece in self.pieces[at:last] if piece.end > start]

    def runs(self) -> list[list[Piece]]:
        """Pieces that follow each other without a hole, grouped."""
        groups: list[list[Piece]] = []
        for piece in self.pieces:
            if groups and groups[-1][-1].end == piece.start:
                groups[-1].append(piece)
            else:
                groups.append([piece])
        return groups

    def holes(self) -> list[tuple[int, int]]:
        """Unrecorded bytes as (how many, the frame that shows first that they were sent)."""
        limit = self.fin[0] if self.fin else max((end for end, _ in self.shown), default=self.base)
        result, at = [], self.base
        for start, end in [*((piece.start, piece.end) for piece in self.pieces), (limit, limit)]:
            start = min(start, limit)
            # A keep-alive probe that is the first thing seen repeats a byte from before the recording.
            is_probed_byte = self.base_is_probe and (at, start) == (self.base, self.base + 1)
            if at < start and not is_probed_byte:
                result += self._dated(at, start)
            at = max(at, end)
        return result

    def _dated(self, start: int, end: int) -> list[tuple[int, int]]:
        """The bytes [start, end), each lot with the first frame that shows it was sent."""
        farther = self._progress
        result: list[tuple[int, int]] = []
        for shown_end, frame in farther[bisect_right(farther, start, key=lambda item: item[0]) :]:
            result.append((min(shown_end, end) - start, frame))
            start = min(shown_end, end)
            if start == end:
                break
        return result

    @cached_property
    def _progress(self) -> list[tuple[int, int]]:
        """Those items of ``shown`` that went farther than all before."""
        result: list[tuple[int, int]] = []
        for end, frame in self.shown:
            if not result or end > result[-1][0]:
                result.append((end, frame))
        return result


def streams(connection: Connection) -> dict[Address, list[Stream]]:
    """The streams of both sides; a side has several where its numbers leapt without a handshake."""
    sides: dict[Address, list[Stream]] = {connection.client: [Stream()], connection.server: [Stream()]}
    for segment in connection.segments:
        if segment.rst:
            continue  # its numbers may be anybody's guess
        own, other = sides[segment.source], sides[segment.target]
        _take_in(own, segment)
        if segment.acks:
            acknowledged = other[-1].place(segment.ack)
            if not other[-1].is_far(acknowledged):
                other[-1].show(acknowledged, segment.frame)
    return sides


def _take_in(own: list[Stream], segment: Segment) -> None:
    position = own[-1].place(segment.seq)
    if own[-1].is_far(position):
        if not segment.length and not segment.syn:
            return
        own.append(Stream())
        position = own[-1].place(segment.seq)
    if segment.syn:
        position += 1
        own[-1].base, own[-1].from_handshake = position, True
    own[-1].add(position, segment)
