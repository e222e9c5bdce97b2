"""A connection's segments in, what happened on it out, in the order in which it happened.

A segment counts once all that precedes it was seen: its side's earlier bytes, and the other side's bytes that
it acknowledges. Until then it waits, and everything behind it; what does not come in time is a hole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from tests.oracle.connections import Connection
from tests.oracle.layers import Segment

CLIENT, SERVER = 0, 1
PROVEN_LOST_NS = 10**9
LONGEST_WAIT_NS = 60 * 10**9
MOST_WAITING, PIECE_BYTES = 32, 512
# A number farther off than this is of another connection on the same ports.
FAR_BEHIND, FAR_AHEAD = 1 << 20, 1 << 30


def distance(later: int, earlier: int) -> int:
    """How far one 32-bit sequence number lies after another."""
    return (later - earlier + 2**31) % 2**32 - 2**31


@dataclass(frozen=True)
class Begin:
    """A side's bytes begin anew: in step after a handshake, out of step else."""

    side: int
    in_step: bool


@dataclass(frozen=True)
class Bytes:
    """Bytes in order, complete with ``frame``; ``payload`` is what was recorded of the ``length`` sent."""

    side: int
    frame: int
    payload: bytes
    length: int
    end_seq: int


@dataclass(frozen=True)
class Again:
    """TCP sent these bytes again."""

    side: int
    frame: int
    seq: int
    length: int


@dataclass(frozen=True)
class Hole:
    """Bytes that were sent but not recorded, as ``frame`` shows."""

    side: int
    frame: int
    length: int


@dataclass(frozen=True)
class Close:
    """A side has closed (FIN), or the connection is over (RST, another handshake)."""

    frame: int
    side: int
    at_once: bool


Happening = Begin | Bytes | Again | Hole | Close


@dataclass
class Side:
    """How far a side's bytes were seen."""

    next: int | None = None
    heard: bool = False
    begun: bool = False
    """Whether any of its bytes in order, or its handshake, was seen."""
    seen_ns: int | None = None
    """When the last of its bytes in order was."""


@dataclass
class Order:
    """Goes through the segments of one connection."""

    connection: Connection
    sides: tuple[Side, Side] = field(default_factory=lambda: (Side(), Side()))
    waiting: list[Segment] = field(default_factory=list)
    complete: dict[int, tuple[int, int]] = field(default_factory=dict)
    """Of each waiting segment's frame: the latest (time, frame) of what was needed for it to be in order."""
    was_reset: bool = False
    found: list[Happening] = field(default_factory=list)

    def run(self) -> list[Happening]:
        for segment in self.connection.segments:
            if segment.rst:
                self._reset(segment)
            elif segment.syn:
                self._handshake(segment)
            else:
                self._segment(segment)
        self._settle(lambda: True)
        return self.found

    def _side(self, segment: Segment) -> int:
        return CLIENT if segment.source == self.connection.client else SERVER

    def _reset(self, segment: Segment) -> None:
        """All ends; what TCP sends afterwards is still told from what it had sent before."""
        self._settle(lambda: True)
        self.found += [Begin(CLIENT, False), Begin(SERVER, False)]
        self.found.append(Close(segment.frame, self._side(segment), at_once=True))
        self.was_reset = True

    def _begin_anew(self) -> None:
        self._settle(lambda: True)
        self.found += [Begin(CLIENT, False), Begin(SERVER, False)]
        self.sides = (Side(), Side())
        self.was_reset = False

    def _handshake(self, segment: Segment) -> None:
        """A SYN is sent again if nothing followed the one before; else it begins another connection."""
        side = self._side(segment)
        following = (segment.seq + 1) % 2**32
        if self.sides[side].next == following and not self.was_reset:
            return
        if not segment.acks and not self.was_reset and self._came_late(segment, side, following):
            return
        if not (segment.acks and self.sides[1 - side].next == segment.ack) or self.was_reset:
            self._begin_anew()
        self.found.append(Close(segment.frame, side, at_once=True))
        self._begin(side, following)
        if segment.acks and self.sides[1 - side].next is None:
            self._begin(1 - side, segment.ack)

    def _came_late(self, segment: Segment, side: int, following: int) -> bool:
        """A SYN of an earlier time than the bytes that follow it, of which the other side has answered none."""
        own, other = self.sides[side], self.sides[1 - side]
        if own.next is None or own.seen_ns is None or other.heard:
            return False
        return segment.time_ns < own.seen_ns and 0 < distance(own.next, following) <= FAR_BEHIND

    def _begin(self, side: int, seq: int) -> None:
        own = self.sides[side]
        own.next, own.heard, own.begun = seq, True, True
        own.seen_ns = None
        self.found.append(Begin(side, True))

    def _segment(self, segment: Segment) -> None:
        side = self._side(segment)
        own, other = self.sides[side], self.sides[1 - side]
        if own.heard and not -FAR_BEHIND <= distance(segment.seq, own.next or 0) <= FAR_AHEAD:
            self._begin_anew()
            self.found.append(Close(segment.frame, side, at_once=True))
            own, other = self.sides[side], self.sides[1 - side]
        if not own.heard:
            own.next, own.heard = segment.seq, True
        self._believe(segment, side, other)
        assert own.next is not None
        if not own.begun and distance(segment.seq, own.next) == 1:
            own.next = segment.seq  # all that had been seen was a keep-alive probe (RFC 1122, 4.2.3.6)
        if segment.length <= 1 and not segment.fin and distance(segment.seq, own.next) == -1:
            return  # a probe
        self.waiting.append(segment)
        self.complete[segment.frame] = (segment.time_ns, segment.frame)
        self._settle(lambda: self._too_long(segment.time_ns))

    def _believe(self, segment: Segment, side: int, other: Side) -> None:
        """What an acknowledgement tells of a side that was not heard itself."""
        if not segment.acks:
            return
        if other.next is None:
            other.next = segment.ack
        beyond = distance(segment.ack, other.next)
        if beyond > 0 and not other.heard:
            self._skip(1 - side, segment.ack, segment.frame)
        elif beyond == 1 and not other.begun:
            other.next = segment.ack  # it acknowledges the byte before a probe, or the probe's own

    def _skip(self, side: int, to: int, frame: int) -> None:
        own = self.sides[side]
        assert own.next is not None
        self.found.append(Hole(side, frame, distance(to, own.next)))
        self.found.append(Begin(side, False))
        own.next = to

    def _is_due(self, segment: Segment) -> bool:
        own, other = self.sides[self._side(segment)], self.sides[1 - self._side(segment)]
        assert own.next is not None
        if distance(segment.seq, own.next) > 0:
            return False
        return not segment.acks or other.next is None or distance(segment.ack, other.next) <= 0

    def _settle(self, give_up: Callable[[], bool]) -> None:
        """Take what is due, the longest waiting first; if nothing is and ``give_up`` says so, make a hole."""
        while self.waiting:
            due = next((s for s in self.waiting if self._is_due(s)), None)
            if due is not None:
                self.waiting.remove(due)
                self.found += self._take(due)
            elif give_up():
                self._give_up()
            else:
                return

    def _too_long(self, now_ns: int) -> bool:
        """Whether the segment that waits longest has waited enough."""
        if sum(max(-(-s.length // PIECE_BYTES), 1) for s in self.waiting) > MOST_WAITING:
            return True
        first = self.waiting[0]
        side = self._side(first)
        missing = self.sides[side].next
        assert missing is not None
        proven = distance(first.seq, missing) <= 0 or any(
            self._side(s) != side and s.acks and distance(s.ack, missing) > 0 for s in self.waiting
        )
        return now_ns - first.time_ns > (PROVEN_LOST_NS if proven else LONGEST_WAIT_NS)

    def _give_up(self) -> None:
        """Call the bytes lost that the longest waiting segment waits for, up to the next ones at hand."""
        first = self.waiting[0]
        side, to = self._side(first), first.seq
        missing = self.sides[side].next
        assert missing is not None
        if distance(to, missing) <= 0:
            side, to = 1 - side, first.ack
            missing = self.sides[side].next
            assert missing is not None
        ahead = [distance(to, missing)]
        ahead += [distance(s.seq, missing) for s in self.waiting if self._side(s) == side]
        nearest = min(d for d in ahead if d > 0)
        self._skip(side, (missing + nearest) % 2**32, first.frame)

    def _take(self, segment: Segment) -> Iterator[Happening]:
        """A segment in order; it may repeat bytes that were seen before, or be nothing else."""
        side = self._side(segment)
        own = self.sides[side]
        assert own.next is not None
        old = -distance(segment.seq, own.next)
        if old > 0 and segment.length and not (segment.length == old == 1):
            yield Again(side, segment.frame, segment.seq, min(segment.length, old))
        if old and segment.length + segment.fin <= old:
            return
        fresh = segment.length - min(old, segment.length)
        own.next = (segment.seq + segment.length) % 2**32
        complete = self.complete.pop(segment.frame)
        for other in self.waiting:
            if self._side(other) == side and (fresh or segment.fin):
                self.complete[other.frame] = max(self.complete[other.frame], complete)
        if fresh:
            own.begun, own.seen_ns = True, complete[0]
            payload = segment.payload[segment.length - fresh :]
            yield Bytes(side, complete[1], payload, fresh, own.next)
        if segment.fin:
            own.next = (own.next + 1) % 2**32
            yield Close(complete[1], side, at_once=False)


def happenings(connection: Connection) -> list[Happening]:
    """All that happened on a connection."""
    return Order(connection).run()
