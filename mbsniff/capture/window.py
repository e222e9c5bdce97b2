"""A stream of bytes in, the piece of it that the loops look at out: one buffer, used again and again."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.spares import Spares

_PAGE_BYTES = 4096
_LEAD_BYTES = 1 << 16  # room in front of what is read, for the unfinished record before it


class Stream(Protocol):
    """What a window reads from."""

    @property
    def trouble(self) -> str | None:
        """Why reading stopped before the end, if it did."""

    def readinto(self, view: memoryview) -> int:
        """Read into the view; 0 at the end."""


class Window:
    """Bytes ``start`` to ``end`` of ``data`` are those that were read and not used up yet.

    Reading goes to page-aligned places, which the kernel copies to several times as fast; what is
    left over from before is moved to end right there.
    """

    def __init__(self, stream: Stream, spares: Spares) -> None:
        self._stream = stream
        self.spares = spares
        self.data: NDArray[np.uint8] = np.empty(0, np.uint8)
        self.start = 0
        self.end = 0
        self.at_end = False
        """Whether the stream has ended."""
        self.read_bytes = 0
        """All bytes that ever came."""

    @property
    def left(self) -> int:
        """How many bytes are at hand."""
        return self.end - self.start

    @property
    def offset(self) -> int:
        """Where in the (unpacked) file ``start`` lies."""
        return self.read_bytes - self.left

    @property
    def trouble(self) -> str | None:
        """Why reading stopped before the end, if it did."""
        return self._stream.trouble

    def head(self, size_bytes: int) -> bytes:
        """The first so many of the bytes at hand, fewer if fewer are."""
        return self.data[self.start : min(self.start + size_bytes, self.end)].tobytes()

    def fill(self, need_bytes: int, block_bytes: int) -> bool:
        """Read a block more, or as much as makes ``need_bytes`` at hand; whether any byte came."""
        room = max(block_bytes, need_bytes - self.left)
        target = self._make_room(room)
        view = self.data[target : target + room].data
        got = 0
        while got < room and not self.at_end:
            more = self._stream.readinto(view[got:])
            self.at_end = more == 0
            got += more
        self.end += got
        self.read_bytes += got
        return got > 0

    def skip(self, size_bytes: int, block_bytes: int) -> int:
        """Drop bytes, read or not; how many there were."""
        skipped = 0
        while True:
            step = min(self.left, size_bytes - skipped)
            self.start += step
            skipped += step
            if skipped == size_bytes or not self.fill(0, block_bytes):
                return skipped

    def release(self) -> None:
        """Give the buffer back; nothing is at hand any more, and ``offset`` is where reading ended."""
        self.spares.give_data(self.data)
        self.data = np.empty(0, np.uint8)
        self.start = self.end = 0

    def _make_room(self, room: int) -> int:
        """Move what is at hand so that it ends page-aligned with ``room`` behind it; where that is."""
        left = self.left
        target = _pages(left)
        data = self.data
        if target + room > len(data):
            data = self.spares.data(_pages(max(target, _LEAD_BYTES) + room))
        data[target - left : target] = self.data[self.start : self.end]
        if data is not self.data:
            self.spares.give_data(self.data)
        self.data, self.start, self.end = data, target - left, target
        return target


def _pages(size_bytes: int) -> int:
    return -(-size_bytes // _PAGE_BYTES) * _PAGE_BYTES
