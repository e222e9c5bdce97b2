"""A Recording in, its Exchange and the facts about the recording itself out: the path up to transactions."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import FileCounters, FrameBatch, Recording
from mbsniff.capture.frames import TIME_NS
from mbsniff.exchange.result import Exchange
from mbsniff.exchange.tracker import Tracker
from mbsniff.wire.reader import MODBUS_PORT, Counters, MessageReader

BLANK_NS = 1_000_000_000  # a stretch without any frame, from this length on, is kept


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
    counters: Counters
    runs: NDArray[np.int64]
    """Shape (runs, 3): ordinal of a run's first frame, index of its file, that frame's number in it."""

    @property
    def span_ns(self) -> int:
        """Nanoseconds from the first frame to the last."""
        return 0 if self.starts_ns is None or self.ends_ns is None else self.ends_ns - self.starts_ns

    def place(self, ordinal: int) -> tuple[str, int]:
        """(file, number of the frame in it, from 1) of a frame's ordinal in the recording."""
        run = int(np.searchsorted(self.runs[:, 0], ordinal, side="right")) - 1
        first, file, number = self.runs[run].tolist()
        return self.files[file].file, number + ordinal - first


@dataclass
class _Course:
    """What is noted of the frames while they pass."""

    frames: int = 0
    starts_ns: int | None = None
    latest_ns: int = -1
    before_ns: int = -1
    backward_steps: int = 0
    blanks: list[tuple[int, int]] = field(default_factory=list)
    runs: list[tuple[int, int, int]] = field(default_factory=list)
    following: tuple[int, int] = (-1, -1)

    def note(self, batch: FrameBatch) -> None:
        """Take in a batch: where it comes from, the times' extent, blank stretches, steps back."""
        count = len(batch.rows)
        if (batch.file, batch.first_frame) != self.following:
            self.runs.append((self.frames, batch.file, batch.first_frame))
        self.following = (batch.file, batch.first_frame + count)
        self.frames += count
        times = np.empty(count + 1, np.int64)
        times[1:] = batch.rows[:, TIME_NS]
        times[0] = self.before_ns if self.starts_ns is not None else times[1]
        steps = np.diff(times)
        self.backward_steps += int(np.count_nonzero(steps < 0))
        for at in np.flatnonzero(steps >= BLANK_NS).tolist():
            self.blanks.append((int(times[at]), int(times[at + 1])))
        first = int(times[1:].min())
        self.starts_ns = first if self.starts_ns is None else min(self.starts_ns, first)
        self.latest_ns = max(self.latest_ns, int(times.max()))
        self.before_ns = int(times[-1])


def read_exchange(
    recording: Recording, *, compiled: bool, ports: Collection[int] = (MODBUS_PORT,)
) -> tuple[Exchange, RecordingFacts]:
    """Read the recording to its end. ``ports`` are the servers'; ``compiled`` picks the loops' way."""
    messages = MessageReader(ports=ports, compiled=compiled)
    tracker = Tracker(messages, compiled=compiled)
    course = _Course()
    for batch in recording.batches(compiled):
        if not len(batch.rows):
            continue
        ordinal = course.frames
        course.note(batch)
        for rows, values in messages.feed(batch, ordinal):
            tracker.take(rows, values)
    end_ns = max(course.latest_ns, 0)
    for rows, values in messages.finish(end_ns):
        tracker.take(rows, values)
    facts = RecordingFacts(
        files=recording.counters,
        frames=course.frames,
        starts_ns=course.starts_ns,
        ends_ns=course.latest_ns if course.frames else None,
        blanks=np.array(course.blanks, np.int64).reshape(-1, 2),
        backward_steps=course.backward_steps,
        counters=messages.counters,
        runs=np.array(course.runs, np.int64).reshape(-1, 3),
    )
    return tracker.finish(end_ns), facts
