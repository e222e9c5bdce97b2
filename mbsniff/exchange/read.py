"""A Recording in, its Exchange and the facts about the recording itself out: the path up to transactions."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import Clock, FileCounters, FrameBatch, Recording, Skipped
from mbsniff.capture.frames import ORIGINAL, TIME_NS
from mbsniff.compiled import kernel
from mbsniff.exchange.result import Exchange
from mbsniff.exchange.tracker import Tracker
from mbsniff.wire.load import Columns
from mbsniff.wire.reader import MODBUS_PORT, Counters, MessageReader

if TYPE_CHECKING:
    from mbsniff.wire.ports import PortSearch

AUTO = 0  # stands among ports for "find them"
TRANSACTION_BYTES = 250  # of a capture, with headers and acknowledgement: a guess at how many there will be
BLANK_NS = 1_000_000_000  # a stretch without any frame, from this length on, is kept
STEP_NS = (
    100_000_000  # a step back of the clock, likewise; less is disorder, or slewed (by RFC 5905 below 128 ms)
)
LONG_BYTES = 1_600  # an Ethernet frame has up to 1,518 (IEEE 802.3, 3.2.7), tags and tunnels add to it


@dataclass(frozen=True)
class RecordingFacts:
    """What the recording is, whatever was said in it."""

    files: list[FileCounters]
    frames: int
    starts_ns: int | None
    """Time of the earliest frame, None without frames."""
    ends_ns: int | None
    """Time of the latest frame."""
    blanks: NDArray[np.int64]
    """Shape (stretches, 2): from and until when no frame was recorded, BLANK_NS or longer."""
    backward_steps: int
    """Frames whose time is earlier than that of the frame before."""
    steps: NDArray[np.int64]
    """Shape (steps, 2): times before and after the clock went back by STEP_NS or more."""
    long_frames: int
    """Frames of more than LONG_BYTES on the wire."""
    counters: Counters
    runs: NDArray[np.int64]
    """Shape (runs, 3): ordinal of a run's first frame, index of its file, that frame's number in it."""
    second_sightings: int = 0
    """Frames that two files show, counted once in ``frames`` and here for each further time."""
    clocks: list[Clock] = field(default_factory=list)
    """What is known of the clocks of files that overlap others."""
    skipped: list[Skipped] = field(default_factory=list)
    """Files of folders and patterns that are no captures."""
    port_search: PortSearch | None = None
    """The look for server ports, where one was asked for."""

    @property
    def span_ns(self) -> int:
        """Nanoseconds from the first frame to the last."""
        return 0 if self.starts_ns is None or self.ends_ns is None else self.ends_ns - self.starts_ns

    @property
    def longest_step_ns(self) -> int:
        """By how much the clock went back at most, 0 where it did not by STEP_NS or more."""
        return int((self.steps[:, 0] - self.steps[:, 1]).max()) if len(self.steps) else 0

    def is_doubled(self, from_ns: int, until_ns: int) -> bool:
        """Whether times in [from, until) occur twice, since the clock went back over them."""
        return bool(((self.steps[:, 1] < until_ns) & (self.steps[:, 0] > from_ns)).any())

    def place(self, ordinal: int) -> tuple[str, int]:
        """(file, number of the frame in it, from 1) of a frame's ordinal in the recording."""
        run = int(np.searchsorted(self.runs[:, 0], ordinal, side="right")) - 1
        first, file, number = self.runs[run].tolist()
        return self.files[file].file, number + ordinal - first


# Registers of `note_times`, all -1 at first.
R_STARTS_NS = 0  # the earliest time
R_LATEST_NS = 1
R_BEFORE_NS = 2  # the last frame's
R_BACKWARD = 3  # steps back, less one
R_LONG = 4  # long frames, less one
R_COLUMNS = 5


@kernel
def note_times(frames: Columns, blanks: Columns, registers: Columns) -> int:
    """Take in a batch's times; how many stretches went to ``blanks`` (a row for each frame).

    Those are stretches without a frame, and, with times that descend, steps back of the clock.
    """
    found = 0
    backward = 0
    long_frames = 0
    before_ns = registers[R_BEFORE_NS]
    starts_ns = registers[R_STARTS_NS]
    latest_ns = registers[R_LATEST_NS]
    for i in range(len(frames)):
        now_ns = frames[i, TIME_NS]
        if before_ns >= 0:
            if now_ns - before_ns >= BLANK_NS:
                blanks[found, 0] = before_ns
                blanks[found, 1] = now_ns
                found += 1
            elif now_ns < before_ns:
                backward += 1
                if before_ns - now_ns >= STEP_NS:
                    blanks[found, 0] = before_ns
                    blanks[found, 1] = now_ns
                    found += 1
        if now_ns < starts_ns or starts_ns < 0:
            starts_ns = now_ns
        latest_ns = now_ns if now_ns > latest_ns else latest_ns
        before_ns = now_ns
        if frames[i, ORIGINAL] > LONG_BYTES:
            long_frames += 1
    registers[R_BEFORE_NS] = before_ns
    registers[R_STARTS_NS] = starts_ns
    registers[R_LATEST_NS] = latest_ns
    registers[R_BACKWARD] += backward
    registers[R_LONG] += long_frames
    return found


@dataclass
class _Course:
    """What is noted of the frames while they pass."""

    frames: int = 0
    registers: NDArray[np.int64] = field(default_factory=lambda: np.full(R_COLUMNS, -1, np.int64))
    found: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 2), np.int64))
    blanks: list[list[int]] = field(default_factory=list)
    runs: list[NDArray[np.int64]] = field(default_factory=list)
    following: tuple[int, int] = (-1, -1)

    def note(self, batch: FrameBatch, compiled: bool) -> None:
        """Take in a batch: where it comes from, the times' extent, blank stretches, steps back."""
        count = len(batch.rows)
        if batch.places is not None:
            self._note_places(batch.places)
        else:
            if (batch.file, batch.first_frame) != self.following:
                self.runs.append(np.array([[self.frames, batch.file, batch.first_frame]], np.int64))
            self.following = (batch.file, batch.first_frame + count)
        self.frames += count
        if len(self.found) < count:
            self.found = np.zeros((count, 2), np.int64)
        blanks = note_times(batch.rows, self.found, self.registers, compiled=compiled)
        self.blanks += self.found[:blanks].tolist()

    def _note_places(self, places: NDArray[np.int64]) -> None:
        """Take in where each frame of a batch of several files comes from."""
        following = np.roll(places, 1, axis=0)
        following[:, 1] += 1
        following[0] = self.following
        begins = np.flatnonzero((places != following).any(axis=1))
        self.runs.append(np.column_stack([self.frames + begins, places[begins]]))
        self.following = (int(places[-1, 0]), int(places[-1, 1]) + 1)


def read_exchange(
    recording: Recording, *, compiled: bool, ports: Collection[int] = (MODBUS_PORT,)
) -> tuple[Exchange, RecordingFacts]:
    """Read the recording to its end. ``ports`` are the servers', AUTO among them: those found by a first look.

    ``compiled`` picks the loops' way.
    """
    batches = recording.batches(compiled)
    search = None
    if AUTO in ports:
        search, batches = _look_for_ports(batches, {port for port in ports if port != AUTO}, compiled)
        ports = search.ports
    messages = MessageReader(ports=ports, compiled=compiled)
    expected = 0 if recording.total_bytes is None else recording.total_bytes // TRANSACTION_BYTES
    tracker = Tracker(messages, compiled=compiled, expected=expected)
    course = _Course()
    for batch in batches:
        if not len(batch.rows):
            continue
        ordinal = course.frames
        course.note(batch, compiled)
        for rows, values in messages.feed(batch, ordinal):
            tracker.take(rows, values)
    starts_ns, latest_ns, backward_steps = course.registers[[R_STARTS_NS, R_LATEST_NS, R_BACKWARD]].tolist()
    stretches = np.array(course.blanks, np.int64).reshape(-1, 2)
    forward = stretches[:, 0] < stretches[:, 1]
    end_ns = max(latest_ns, 0)
    for rows, values in messages.finish(end_ns):
        tracker.take(rows, values)
    facts = RecordingFacts(
        files=recording.counters,
        frames=course.frames,
        starts_ns=starts_ns if course.frames else None,
        ends_ns=latest_ns if course.frames else None,
        blanks=stretches[forward],
        backward_steps=backward_steps + 1,
        steps=stretches[~forward],
        long_frames=int(course.registers[R_LONG]) + 1,
        counters=messages.counters,
        runs=np.concatenate([np.zeros((0, 3), np.int64), *course.runs]),
        second_sightings=recording.second_sightings,
        clocks=recording.clocks,
        skipped=recording.skipped,
        port_search=search,
    )
    return tracker.finish(end_ns), facts


def _look_for_ports(
    batches: Iterator[FrameBatch], stated: Collection[int], compiled: bool
) -> tuple[PortSearch, Iterator[FrameBatch]]:
    """What a look at the first frames gives, and all batches from the first one on."""
    from mbsniff.wire.ports import PortFinder  # with a loop of its own

    finder = PortFinder(compiled=compiled)
    while finder.wants_more and (batch := next(batches, None)) is not None:
        if len(batch.rows):
            finder.take(batch)
    return finder.result(stated), itertools.chain(finder.kept, batches)
