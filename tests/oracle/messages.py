"""What happened on a connection in; the same with messages in place of bytes out."""

from __future__ import annotations

from dataclasses import dataclass

from tests.oracle.connections import Connection
from tests.oracle.order import CLIENT, SERVER, Again, Begin, Bytes, Close, Hole, happenings

# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: the length counts unit identifier and PDU;
# MODBUS Application Protocol Specification V1.1b3, 4.1: a PDU has at most 253 bytes.
HEADER, SHORTEST, LONGEST = 6, 2, 254


@dataclass(frozen=True)
class Message:
    """A Modbus message, complete with ``frame``; ``pdu`` is what was recorded of its ``size`` bytes."""

    from_client: bool
    frame: int
    place: int
    """Counts the messages of its direction."""
    transaction: int
    unit: int
    pdu: bytes
    size: int
    end_seq: int


Event = Message | Again | Hole | Close


@dataclass(frozen=True)
class Traffic:
    """What happened on one connection."""

    connection: Connection
    events: list[Event]


def traffic(connection: Connection) -> Traffic:
    """Put a connection in order and cut its messages."""
    events: list[Event] = []
    cutters = [Cutter(CLIENT), Cutter(SERVER)]
    for one in happenings(connection):
        if isinstance(one, Begin):
            cutters[one.side].kept = b"" if one.in_step else None
        elif isinstance(one, Bytes):
            events += cutters[one.side].take(one)
        else:
            events.append(one)
    return Traffic(connection, events)


@dataclass
class Cutter:
    """Cuts one direction's bytes; keeps those of an unfinished message, or None while out of step."""

    side: int
    kept: bytes | None = None
    count: int = 0

    def take(self, chunk: Bytes) -> list[Message | Hole]:
        """The messages that these bytes complete; of a frame cut short also what holds none."""
        before = self.kept or b""
        data = before + chunk.payload
        total = len(before) + chunk.length
        at: int | None = 0 if self.kept is not None else self._in_step_again(data, len(before), total, 0)
        self.kept = None
        found: list[Message | Hole] = []
        cut_ends = len(before)
        while at is not None:
            if at == total:
                self.kept = b""
                break
            left = data[at:]
            if len(left) >= HEADER and not is_header(left):
                at = self._in_step_again(data, len(before), total, at)
                continue
            size = HEADER + word(left, 4)
            if len(left) < HEADER + SHORTEST or at + size > total:
                if len(data) == total:
                    self.kept = left
                break
            end = (chunk.end_seq - (total - at - size)) % 2**32
            self.count += 1
            found.append(
                Message(
                    self.side == CLIENT, chunk.frame, self.count, word(left, 0), left[6], left[7:size],
                    size - 7, end,
                )
            )  # fmt: skip
            at += size
            cut_ends = at
        if self.kept is None and len(data) < total:
            found.append(Hole(self.side, chunk.frame, total - cut_ends))
        return found

    def _in_step_again(self, data: bytes, begin: int, total: int, at: int) -> int | None:
        """Where, in the new bytes of ``data``, a message plausibly begins; None where none does."""
        for place in range(max(at, begin), len(data) - HEADER - SHORTEST + 1):
            if self._plausible(data[place:], total - place, is_first=place == begin):
                return place
        return None

    def _plausible(self, data: bytes, size: int, *, is_first: bool) -> bool:
        """A header, and the length that the function asks for; a whole segment if it asks for none."""
        if not is_header(data):
            return False
        length, function = word(data, 4), data[7]
        fixed = FIXED_REQUESTS if self.side == CLIENT else FIXED_REPLIES
        counted = COUNTED_REQUESTS if self.side == CLIENT else COUNTED_REPLIES
        if function in fixed:
            return length == fixed[function]
        if function in counted and len(data) > counted[function]:
            return length == counted[function] - HEADER + 1 + data[counted[function]]
        if self.side == SERVER and function > 0x80:
            return length == 3
        return is_first and function > 0 and HEADER + length == size


# The header's length of messages of a fixed size, and where those of a variable one have their byte count.
FIXED_REQUESTS = {1: 6, 2: 6, 3: 6, 4: 6, 5: 6, 6: 6, 22: 8}
FIXED_REPLIES = {5: 6, 6: 6, 15: 6, 16: 6, 22: 8}
COUNTED_REQUESTS = {15: 12, 16: 12, 23: 16}
COUNTED_REPLIES = {1: 8, 2: 8, 3: 8, 4: 8, 23: 8}


def word(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "big")


def is_header(data: bytes) -> bool:
    return word(data, 2) == 0 and SHORTEST <= word(data, 4) <= LONGEST
