"""One opened capture in, rows of frames out, a buffer at a time: what readers of both formats share."""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import state as s
from mbsniff.capture.counters import FileCounters, Notes
from mbsniff.capture.frames import FRAME_COLUMNS, TIME_NS, FrameBatch
from mbsniff.capture.source import Source
from mbsniff.capture.ticks import LAST_NS
from mbsniff.capture.window import Window

_NEAR_BYTES = (
    4 << 20
)  # bzip2 finds damage only at the end of a block of 900,000 bytes and more, which it has given out


class DamageError(Exception):
    """What is wrong with a file at the place where its reading stops."""


def shifted(times_ns: NDArray[np.int64], shift_ns: int) -> NDArray[np.int64]:
    """The times with ``shift_ns`` added, as far as they stay inside [0, 2^63)."""
    if shift_ns >= 0:
        return np.minimum(times_ns, LAST_NS - shift_ns) + shift_ns
    return np.maximum(times_ns, -shift_ns) + shift_ns


class FileReader(ABC):
    """Frames of one file. ``rows`` holds those found; the ones from ``next_row`` to ``end_row`` are pending.

    At first only the first frame is sought (``peek``), uncompiled, to learn its time.
    """

    format: str

    def __init__(self, source: Source, window: Window, compressed: bool, block_bytes: int) -> None:
        self.source = source
        self.window = window
        self.compressed = compressed
        self.block_bytes = block_bytes
        self.notes = Notes()
        self.state: NDArray[np.int64] = np.zeros(s.STATE_COLUMNS, np.int64)
        self.state[[s.NUMBER, s.DROPS]] = 1, -1
        self.rows: NDArray[np.int64] = np.zeros((1, FRAME_COLUMNS), np.int64)
        self.next_row = 0
        self.end_row = 0
        self._times_ns: list[int] | None = None
        self.first_ns: int | None = None
        self.ended = False
        self.shift_ns = 0
        """What is added to this file's times."""
        self.shift_is_stated = False
        """Whether the user says so."""
        self.rank = 0
        """0 where its clock is the one to go by, else the number of its recorder."""
        self.rests = False
        """Whether all that was read was let go, so that the file must be opened again."""
        self._unread_bytes: int | None = None

    @abstractmethod
    def _loop(self, compiled: bool) -> int:
        """Run the loop over the window until it stops for a reason that moves the window."""

    def at(self, column: int) -> int:
        """One column of the state, as a Python integer."""
        return int(self.state[column])

    @property
    def pending(self) -> bool:
        """Whether there are rows that were not taken yet."""
        return self.next_row < self.end_row

    @property
    def next_ns(self) -> int:
        """Time of the next pending row."""
        if self._times_ns is None:
            return int(self.rows[self.next_row, TIME_NS])
        return self._times_ns[self.next_row]

    @property
    def times_ns(self) -> list[int]:
        """Times of all rows up to ``end_row``, as a list: quicker one by one, slower to make."""
        if self._times_ns is None:
            self._times_ns = self.rows[: self.end_row, TIME_NS].tolist()
        return self._times_ns

    @property
    def frames(self) -> int:
        """Frames found so far."""
        return self.at(s.NUMBER) - 1 + self.at(s.ROWS)

    @property
    def latest_ns(self) -> int:
        """The latest time of all rows found so far."""
        return int(shifted(self.state[s.LATEST_NS : s.LATEST_NS + 1], self.shift_ns)[0])

    def peek(self) -> None:
        """Find the first frame, if there is one."""
        if self.fill(compiled=False):
            self.first_ns = self.next_ns

    def shift(self, shift_ns: int) -> None:
        """Have ``shift_ns`` more added to all times, those of pending rows among them."""
        pending = self.rows[: self.end_row, TIME_NS]
        pending[:] = shifted(pending, shift_ns)
        self.shift_ns += shift_ns
        self._times_ns = None
        if self.pending:
            self.first_ns = self.next_ns

    def rest(self) -> None:
        """Let go of all that was read, unless that is the whole file, or one that cannot be read twice."""
        if self.source.parkable and not self.window.at_end and not self.ended:
            self.rests = True
            self.window.release()
            self.window = Window(
                self.source, self.window.spares
            )  # and with the old one what unpacks the file
        self.source.park()

    def lose(self, why: str) -> None:
        """The file is not there any more: nothing of it is given out."""
        self.state[s.ROWS] = self.next_row = self.end_row = 0
        self.state[[s.CAPTURED_BYTES, s.ORIGINAL_BYTES, s.CUT_SHORT, s.BAD_TIMES, s.UNTIMED]] = 0
        self._end(why)

    def extend(self, rows: int, compiled: bool) -> None:
        """After ``peek``: take an array of so many rows, and find what else lies in the window."""
        first = self.rows
        self.rows = self.window.spares.rows(rows)
        self.rows[: len(first)] = first
        self._walk(compiled)

    def take(self, stop: int, file: int) -> FrameBatch:
        """The pending rows up to ``stop``, which are pending no longer."""
        rows = self.rows[self.next_row : stop]
        batch = FrameBatch(self.window.data, rows, file, int(self.state[s.NUMBER]) + self.next_row)
        self.next_row = stop
        return batch

    def fill(self, compiled: bool) -> bool:
        """With no row pending: read on until some are; False at the end of the file."""
        self.state[s.NUMBER] += self.end_row
        self.state[s.ROWS] = self.next_row = self.end_row = 0
        while not self.ended:
            try:
                outcome = self._walk(compiled)
                if self.pending:  # the loop comes to the same place again, once they are taken
                    return True
                self._settle(outcome)
            except DamageError as damage:
                self._end(f"{damage}; reading stops there", is_damaged=True)
        return False

    def close(self) -> None:
        """Close the file."""
        self.source.close()

    def _walk(self, compiled: bool) -> int:
        self.state[s.AT], self.state[s.END] = self.window.start, self.window.end
        known = self.at(s.ROWS)
        try:
            return self._loop(compiled)
        finally:
            self.window.start, self.end_row = self.at(s.AT), self.at(s.ROWS)
            self._times_ns = None
            if self.shift_ns:
                fresh = self.rows[known : self.end_row, TIME_NS]
                fresh[:] = shifted(fresh, self.shift_ns)

    def _settle(self, outcome: int) -> None:
        """Do what a loop that found no row asks for; DamageError if nothing can be done."""
        need = self.at(s.NEED)
        if outcome == s.MORE:
            if not self.window.fill(need, self.block_bytes):
                self._end(self._cut_off() if self.window.left else None)
            return
        raise DamageError(
            {
                s.ABSURD: f"{self.place} claims to hold {need:,} bytes, more than any frame has",
                s.LENGTH: f"{self.place} has an impossible length, {need:,} bytes",
                s.LENGTHS_DIFFER: f"{self.place} gives its length differently before and after it",
                s.OVERFULL: f"{self.place} has less room than the {need:,} bytes it claims to hold",
            }[outcome]
        )

    def _cut_off(self) -> str:
        return f"ends in the middle of {self.place}; read up to there"

    @property
    @abstractmethod
    def place(self) -> str:
        """Where the loop stands, in words."""

    def _end(self, note: str | None, is_damaged: bool = False) -> None:
        if note:
            self.notes.add(note)
        if self.window.trouble and not is_damaged:
            self.notes.add(self.window.trouble)
        elif is_damaged and self.compressed and (trouble := self._trouble_ahead()):
            self.notes.add(trouble)
        if not note and not self.window.trouble:
            self._unread_bytes = 0
        elif self.source.size_bytes is not None:
            at_hand = 0 if self.compressed else self.window.left
            self._unread_bytes = max(self.source.size_bytes - self.source.consumed_bytes + at_hand, 0)
        self.ended = True
        self.window.release()
        self.window.spares.give_rows(self.rows)
        self.close()

    def _trouble_ahead(self) -> str | None:
        """What may explain a damaged record: that unpacking stops soon behind it, however far ahead was read."""
        until = self.window.offset + _NEAR_BYTES
        while self.window.read_bytes < until and self.window.fill(0, self.block_bytes):
            pass
        return self.window.trouble if self.window.read_bytes < until else None

    def counters(self) -> FileCounters:
        """What was counted so far."""
        frames = self.frames
        drops = self.at(s.DROPS)
        return FileCounters(
            file=self.source.path,
            format=self.format,
            compressed=self.compressed,
            stored_bytes=self.source.size_bytes,
            unread_bytes=self._unread_bytes,
            frames=frames,
            captured_bytes=self.at(s.CAPTURED_BYTES),
            original_bytes=self.at(s.ORIGINAL_BYTES),
            first_ns=self.first_ns,
            last_ns=int(shifted(self.state[s.LAST_NS : s.LAST_NS + 1], self.shift_ns)[0]) if frames else None,
            cut_short_frames=self.at(s.CUT_SHORT),
            bad_times=self.at(s.BAD_TIMES),
            untimed_frames=self.at(s.UNTIMED),
            epb_dropcount=drops if drops >= 0 else None,
            isb_ifdrop=None,
            isb_osdrop=None,
            notes=self._notes(),
        )

    def _notes(self) -> list[str]:
        notes = self.notes.listed()
        if count := self.at(s.UNDESCRIBED):
            interface, frame = self.at(s.UNDESCRIBED_INTERFACE), self.at(s.UNDESCRIBED_FRAME)
            others = f" and of {count - 1:,} other such frames" if count > 1 else ""
            notes.append(f"interface {interface}, that of frame {frame}{others}, is not described")
        return notes
