"""Paths of captures in, a Recording out: its files in time order, their frames and counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from types import TracebackType

from mbsniff.capture.clocks import Clock, set_clocks
from mbsniff.capture.counters import FileCounters
from mbsniff.capture.frames import FrameBatch
from mbsniff.capture.merge import Merge
from mbsniff.capture.names import Candidate, Skipped, candidates
from mbsniff.capture.opening import open_capture
from mbsniff.capture.reader import FileReader
from mbsniff.capture.sightings import Sightings
from mbsniff.capture.source import EXPECTED, Source
from mbsniff.capture.spares import Spares
from mbsniff.errors import CaptureError

BLOCK_BYTES = 3 << 20
"""3 MiB: what is over after one block has at most some 35,000 frames, which the uncompiled loops read in seconds."""
BATCH_ROWS = 1 << 12  # what comes of so many frames stays in a core's own cache
_PEEK_BYTES = 1 << 16
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
    if not names:
        hint = 'Use "-" for standard input.'
        raise CaptureError("no capture is given", expected="at least one file", hint=hint)
    shifts_ns = shifts_ns or {}
    found, skipped = candidates([str(name) for name in names])
    _check_shifts(shifts_ns, found)
    opening = _Opening(block_bytes, len(found) > 1)
    try:
        for candidate in found:
            reader = opening.open(candidate, skipped)
            if reader is not None and (shift_ns := _shift_of(candidate, shifts_ns)) is not None:
                reader.shift(shift_ns)
                reader.shift_is_stated = True
        if not opening.readers:
            raise _none(names, skipped)
    except BaseException:
        for reader in opening.readers:
            reader.close()
        raise
    return Recording(opening.readers, skipped, opening.spare_bytes > 0, progress, batch_rows)


class _Opening:
    """Opens captures one after the other and learns each one's first time."""

    def __init__(self, block_bytes: int, several: bool) -> None:
        self.readers: list[FileReader] = []
        self.spare_bytes = block_bytes
        """What is left of one block for all files together, 0 once they have more."""
        self._block_bytes = block_bytes
        self._several = several
        self._spares = Spares()

    def open(self, candidate: Candidate, skipped: list[Skipped]) -> FileReader | None:
        """Open a capture; where the user did not name it itself and it is none, note that and return None."""
        first_bytes = self.spare_bytes or min(self._block_bytes, _PEEK_BYTES)
        try:
            reader = open_capture(
                candidate.path, first_bytes, self._block_bytes, self._spares, self._refuse_twice
            )
        except CaptureError as error:
            if candidate.named:
                raise
            skipped.append(Skipped(candidate.path, error.what))
            return None
        self.readers.append(reader)
        ended = reader.window.at_end
        self.spare_bytes = max(self.spare_bytes - reader.window.read_bytes, 0) if ended else 0
        reader.peek()
        if self._several:
            reader.rest()
        else:
            reader.source.park()
        return reader

    def _refuse_twice(self, source: Source) -> None:
        for other in self.readers:
            if other.source.path == source.path or (
                source.identity and other.source.identity == source.identity
            ):
                what = f"it is named twice, also as {other.source.path}"
                raise CaptureError(what, file=source.name, hint="Its frames would count twice: name it once.")


def _shift_of(candidate: Candidate, shifts_ns: Mapping[str, int]) -> int | None:
    return shifts_ns.get(candidate.path, shifts_ns.get(candidate.given))


def _check_shifts(shifts_ns: Mapping[str, int], found: list[Candidate]) -> None:
    known = {name for candidate in found for name in (candidate.path, candidate.given)}
    for name in shifts_ns:
        if name not in known:
            what = "a clock offset is stated for it, but it is not among the captures"
            raise CaptureError(what, file=name, hint="Write its name as you wrote it among the captures.")


def _none(names: Sequence[str], skipped: list[Skipped]) -> CaptureError:
    """The error for folders and patterns in which no file is a capture."""
    count = len(skipped)
    what = f"none of the {count:,} files is a capture" if count > 1 else "the one file is no capture"
    what += f" ({skipped[0].file}: {skipped[0].why})"
    return CaptureError(
        what, file=", ".join(map(str, names)), expected=EXPECTED, hint="Is it the right folder?"
    )
