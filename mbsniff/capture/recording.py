"""Paths of captures in, a Recording out: its files in time order, their frames and counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from types import TracebackType

from mbsniff.capture.clocks import Clock, set_clocks
from mbsniff.capture.counters import FileCounters
from mbsniff.capture.frames import FrameBatch
from mbsniff.capture.lineup import line_up
from mbsniff.capture.merge import Merge
from mbsniff.capture.names import Skipped
from mbsniff.capture.opening import open_capture
from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import Sightings
from mbsniff.errors import CaptureError

BLOCK_BYTES = 3 << 20
"""3 MiB: what is over after one block has at most some 35,000 frames, which the uncompiled loops read in seconds."""
BATCH_ROWS = 1 << 13  # what comes of so many frames stays near a core; fewer cost more calls
_OVERLAP_NS = 100_000_000  # files of one recorder may overlap by a few frames

Progress = Callable[[int, int | None], None]


class Recording:
    """Captures that have been opened: read once, from front to back.

    Use it in a ``with`` statement, or read it to its end, so that its files are closed.
    """

    def __init__(
        self,
        readers: list[FileReader],
        skipped: list[Skipped],
        small: bool,
        progress: Progress | None,
        batch_rows: int,
    ) -> None:
        # The clock to go by: the first one that the user does not correct himself.
        self._first = next((reader for reader in readers if not reader.shift_is_stated), readers[0])
        self._readers = readers
        self._sort()
        self._sightings = Sightings()
        self._clocks: list[Clock] = []
        self.skipped = skipped
        """Files of folders and patterns that are no captures."""
        self._progress = progress
        self._batch_rows = batch_rows
        self._begun = False
        self.small = small
        """Whether all files together ended within the first block that was read."""

    @property
    def files(self) -> list[str]:
        """The files' names as given, by the time of their first frame; those without frames come last."""
        return [reader.source.path for reader in self._readers]

    @property
    def counters(self) -> list[FileCounters]:
        """What was counted so far, a value per file of ``files``; complete once all batches were taken."""
        return [reader.counters() for reader in self._readers]

    @property
    def second_sightings(self) -> int:
        """Frames left out so far because another file shows the same packet."""
        return self._sightings.dropped

    @property
    def clocks(self) -> list[Clock]:
        """What is known of the clocks of files that overlap others; complete once all batches were taken."""
        mixed = [i for i, mixed_ns in self._sightings.mixed_ns.items() if mixed_ns > _OVERLAP_NS]
        names = {self._readers[index].source.path for index in mixed}
        if names and not self._clocks:  # files taken for one recorder's
            return [Clock(sorted(names), 0, "none", 0, 0, 0, 0)]
        return [c for c in self._clocks if c.matches or c.basis == "stated" or self._is_lone(c, names)]

    @staticmethod
    def _is_lone(clock: Clock, mixed: set[str]) -> bool:
        """Whether nothing tells how a clock compares with those of files that overlap its own."""
        return clock.basis == "none" and not mixed.isdisjoint(clock.files)

    @property
    def total_bytes(self) -> int | None:
        """Size of all files as they are stored, None if one is a pipe."""
        sizes = [reader.source.size_bytes for reader in self._readers]
        return None if None in sizes else sum(size for size in sizes if size is not None)

    def batches(self, compiled: bool) -> Iterator[FrameBatch]:
        """All frames in time order, once; each batch is valid until the next one is asked for.

        ``compiled`` tells which kind of loop reads them; the rows are the same. ValueError if called twice.
        """
        if self._begun:
            raise ValueError("a recording is read once: open it again")
        self._begun = True
        return self._batches(compiled)

    def _batches(self, compiled: bool) -> Iterator[FrameBatch]:
        try:
            if len(self._readers) > 1 or self._readers[0].shift_is_stated:
                self._clocks = set_clocks(self._readers, self._first, compiled, self._sightings)
                self._sort()
                self._sightings.ranks = [reader.rank for reader in self._readers]
            total, told = self.total_bytes, -1
            merge = Merge(self._readers, self._batch_rows, compiled, self._wake, self._sightings)
            for batch in merge.batches():
                if self._progress is not None and merge.consumed_bytes != told:
                    told = merge.consumed_bytes
                    self._progress(told, total)
                yield batch
            if self._progress is not None:
                self._progress(sum(r.source.consumed_bytes for r in self._readers), total)
        finally:
            self.close()

    def _sort(self) -> None:
        self._readers.sort(key=lambda r: (r.first_ns is None, r.first_ns or 0))

    @staticmethod
    def _wake(resting: FileReader) -> FileReader:
        """The reader of a file that is opened again, now that its time has come."""
        spares, block_bytes = resting.window.spares, resting.block_bytes
        try:
            reader = open_capture(resting.source.path, block_bytes, block_bytes, spares)
        except CaptureError as error:
            resting.lose(f"when its turn came, {error.what}")
            return resting
        reader.peek()
        reader.shift(resting.shift_ns)
        return reader

    def close(self) -> None:
        """Close all files."""
        for reader in self._readers:
            reader.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_recording(
    names: Sequence[str],
    *,
    shifts_ns: Mapping[str, int] | None = None,
    progress: Progress | None = None,
    block_bytes: int = BLOCK_BYTES,
    batch_rows: int = BATCH_ROWS,
) -> Recording:
    """Open captures (pcap or pcapng, plain or packed; "-" is standard input) to be read as one.

    A name may be that of a folder, or a pattern: then files that are no captures are left out and listed.
    ``shifts_ns`` says what to add to the times of a file, or of all files of a folder or pattern, by its name as given.
    ``progress`` is told the bytes read so far, as stored, and how many there are, None if unknown. Blocks of
    ``block_bytes`` are read, and batches have up to ``batch_rows`` frames. CaptureError if any of
    the files named cannot be opened or is no capture, before anything else is read.
    """
    lineup = line_up(names, shifts_ns or {}, block_bytes)
    return Recording(lineup.readers, lineup.skipped, lineup.spare_bytes > 0, progress, batch_rows)
