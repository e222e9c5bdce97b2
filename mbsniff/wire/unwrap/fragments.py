"""IP fragments in, whole packets out: reassembly within bounds of memory and time (RFC 791, RFC 8200, RFC 5722)."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import NamedTuple

FORGET_NS = 60_000_000_000  # RFC 8200, 4.5 (and RFC 1122, 3.3.2): 60 s after the first fragment to arrive
COPY_NS = 10_000_000  # as for whole frames, see `mbsniff.wire.state`
MOST_WAITING = 1024
MOST_BYTES = 8 << 20
LONGEST = 65_535

Key = tuple[int, bytes, int, int]
"""IP version, both addresses, identification, protocol (0 in version 6, where only the first fragment tells)."""


class Fragment(NamedTuple):
    """One fragment; ``data`` is what was recorded of ``size`` bytes."""

    key: Key
    offset: int
    size: int
    more: bool
    protocol: int
    data: bytes


class Whole(NamedTuple):
    """A reassembled packet: the recorded bytes up to the first that the recording lacks, and its length."""

    packet: bytes
    size: int


@dataclass
class _Waiting:
    """Fragments of one packet, sorted by offset and not overlapping."""

    begun_ns: int
    offsets: list[int] = field(default_factory=list)
    parts: list[Fragment] = field(default_factory=list)
    total: int = -1  # known once the last fragment is there
    gathered: int = 0
    stored: int = 0
    spoiled: bool = False
    done_ns: int = -1


class Reassembly:
    """Puts fragments together, in whatever order they come.

    An exact copy of a fragment is dropped. Fragments that overlap otherwise spoil the packet, of either version
    (RFC 5722, 4, asks this of version 6): which of the bytes the receiver took cannot be known.
    """

    def __init__(self) -> None:
        self._waiting: dict[Key, _Waiting] = {}  # in order of arrival of the first fragment
        self._stored = 0
        self.seen = 0
        """Fragments, copies included."""
        self.used = 0
        """Those that became part of a whole packet, and their copies."""
        self.copies = 0
        """Fragments dropped because they had been seen before."""
        self.contradicting = 0
        """Fragments of packets that were spoiled by others."""

    def take(self, fragment: Fragment, time_ns: int) -> Whole | None:
        """The packet that this fragment completes, if it does."""
        self.seen += 1
        self._forget(time_ns)
        waiting = self._waiting.get(fragment.key)
        if waiting is not None and waiting.done_ns >= 0:
            if abs(time_ns - waiting.done_ns) <= COPY_NS and _has(waiting, fragment):
                self.copies += 1
                self.used += 1
                return None
            self._drop(fragment.key)
            waiting = None
        if waiting is None:
            waiting = self._waiting[fragment.key] = _Waiting(time_ns)
        if waiting.spoiled:
            self.contradicting += 1
            return None
        self._add(waiting, fragment)
        if waiting.total < 0 or waiting.gathered < waiting.total or waiting.spoiled:
            return None
        return self._complete(waiting, time_ns)

    def _add(self, waiting: _Waiting, fragment: Fragment) -> None:
        place = bisect_left(waiting.offsets, fragment.offset)
        if place < len(waiting.offsets) and _same(waiting.parts[place], fragment):
            self.copies += 1
            self.used += 1
            return
        end = fragment.offset + fragment.size
        before = waiting.parts[place - 1] if place else None
        after = waiting.parts[place] if place < len(waiting.parts) else None
        if (
            (before is not None and before.offset + before.size > fragment.offset)
            or (after is not None and after.offset < end)
            or (fragment.more and (fragment.size % 8 or fragment.size == 0))  # RFC 791, 3.2; RFC 8200, 4.5
            or end > LONGEST
            or 0 <= waiting.total < end
            or (not fragment.more and (waiting.total >= 0 or after is not None))
        ):
            self._spoil(waiting)
            return
        if not fragment.more:
            waiting.total = end
        waiting.offsets.insert(place, fragment.offset)
        waiting.parts.insert(place, fragment)
        waiting.gathered += fragment.size
        waiting.stored += len(fragment.data)
        self._stored += len(fragment.data)

    def _spoil(self, waiting: _Waiting) -> None:
        self.contradicting += len(waiting.parts) + 1
        self._empty(waiting)
        waiting.spoiled = True

    def _complete(self, waiting: _Waiting, time_ns: int) -> Whole:
        self.used += len(waiting.parts)
        data = b""
        gathered = []
        for part in waiting.parts:
            gathered.append(part.data)
            if len(part.data) < part.size:  # cut short by the recorder: what follows has no place
                break
        data = b"".join(gathered)
        first = waiting.parts[0]
        whole = Whole(header_of(first.key, first.protocol, waiting.total) + data, 0)
        size = len(whole.packet) - len(data) + waiting.total
        waiting.done_ns = time_ns
        self._stored -= waiting.stored
        waiting.stored = 0
        waiting.parts = [part._replace(data=b"") for part in waiting.parts]
        return whole._replace(size=size)

    def _empty(self, waiting: _Waiting) -> None:
        self._stored -= waiting.stored
        waiting.stored = 0
        waiting.offsets, waiting.parts = [], []

    def _drop(self, key: Key) -> None:
        self._empty(self._waiting.pop(key))

    def _forget(self, now_ns: int) -> None:
        """Drop what has waited too long, and the oldest where there is too much."""
        while self._waiting:
            key, oldest = next(iter(self._waiting.items()))
            over = len(self._waiting) >= MOST_WAITING or self._stored > MOST_BYTES
            if not over and now_ns - oldest.begun_ns <= FORGET_NS:
                return
            self._drop(key)


def _same(a: Fragment, b: Fragment) -> bool:
    return a.offset == b.offset and a.size == b.size and a.more == b.more and a.data == b.data


def _has(waiting: _Waiting, fragment: Fragment) -> bool:
    """Whether a packet that is complete was made of such a fragment; its bytes are gone."""
    place = bisect_left(waiting.offsets, fragment.offset)
    if place >= len(waiting.parts):
        return False
    part = waiting.parts[place]
    return (part.offset, part.size, part.more) == (fragment.offset, fragment.size, fragment.more)


def header_of(key: Key, protocol: int, size: int) -> bytes:
    """An IP header without options or extensions (RFC 791, 3.1; RFC 8200, 3) for ``size`` bytes behind it."""
    version, addresses, identification, _ = key
    if version == 6:
        return b"\x60\0\0\0" + _two(min(size, LONGEST)) + bytes((protocol, 64)) + addresses
    total = size + 20
    length = _two(total if total <= LONGEST else 0)
    return b"\x45\0" + length + _two(identification) + b"\0\0" + bytes((64, protocol)) + b"\0\0" + addresses


def _two(value: int) -> bytes:
    return value.to_bytes(2, "big")
