"""Paths of captures in, a Recording out: its files in time order, their frames and counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import TracebackType

from mbsniff.capture.counters import FileCounters
from mbsniff.capture.frames import FrameBatch
from mbsniff.capture.gunzip import MAGIC as GZIP_MAGIC
from mbsniff.capture.gunzip import Gunzip
from mbsniff.capture.merge import merged
from mbsniff.capture.pcap import MAGICS as PCAP_MAGICS
from mbsniff.capture.pcap import PcapReader
from mbsniff.capture.pcapng import SECTION_MAGIC, PcapngReader
from mbsniff.capture.reader import FileReader
from mbsniff.capture.source import Source, not_a_capture
from mbsniff.capture.spares import Spares
from mbsniff.capture.window import Window
from mbsniff.errors import CaptureError

BLOCK_BYTES = 3 << 20
"""3 MiB: what is over after one block has at most some 35,000 frames, which the uncompiled loops read in seconds."""
BATCH_ROWS = 1 << 12  # what comes of so many frames stays in a core's own cache
_PEEK_BYTES = 1 << 16
_HEAD_BYTES = 64

Progress = Callable[[int, int | None], None]


class Recording:
    """Captures that have been opened: read once, from front to back.

    Use it in a ``with`` statement, or read it to its end, so that its files are closed.
    """

    def __init__(
        self, readers: list[FileReader], small: bool, progress: Progress | None, batch_rows: int
    ) -> None:
        self._readers = readers
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
        total = self.total_bytes
        told = [0] * len(self._readers)
        done = 0
        try:
            for batch in merged(self._readers, self._batch_rows, compiled):
                if self._progress is not None:
                    consumed = self._readers[batch.file].source.consumed_bytes
                    if consumed != told[batch.file]:
                        done += consumed - told[batch.file]
                        told[batch.file] = consumed
                        self._progress(done, total)
                yield batch
            if self._progress is not None:
                self._progress(sum(r.source.consumed_bytes for r in self._readers), total)
        finally:
            self.close()

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
    paths: Sequence[str],
    *,
    progress: Progress | None = None,
    block_bytes: int = BLOCK_BYTES,
    batch_rows: int = BATCH_ROWS,
) -> Recording:
    """Open captures (pcap or pcapng, plain or gzip-compressed; "-" is standard input) to be read as one.

    ``progress`` is told the bytes read so far, as stored, and how many there are, None if unknown. Blocks of
    ``block_bytes`` are read, and batches have up to ``batch_rows`` frames. CaptureError if any of
    the files cannot be opened or is no capture, before anything else is read.
    """
    if not paths:
        hint = 'Use "-" for standard input.'
        raise CaptureError("no capture is given", expected="at least one file", hint=hint)
    readers: list[FileReader] = []
    spares = Spares()
    spare_bytes = block_bytes  # what is left of one block for all files together, 0 once they have more
    try:
        for path in paths:
            first_bytes = spare_bytes or min(block_bytes, _PEEK_BYTES)
            reader = _open(str(path), first_bytes, block_bytes, spares, readers)
            ended = reader.window.at_end
            spare_bytes = max(spare_bytes - reader.window.read_bytes, 0) if ended else 0
            reader.peek()
            reader.source.park()
            readers.append(reader)
    except BaseException:
        for reader in readers:
            reader.close()
        raise
    readers.sort(key=lambda r: (r.first_ns is None, r.first_ns or 0))
    return Recording(readers, spare_bytes > 0, progress, batch_rows)


def _open(
    path: str, first_bytes: int, block_bytes: int, spares: Spares, others: list[FileReader]
) -> FileReader:
    """Open one capture and read its first bytes."""
    source = Source(path)
    try:
        for other in others:
            if other.source.path == path or (source.identity and other.source.identity == source.identity):
                what = f"it is named twice, also as {other.source.path}"
                raise CaptureError(what, file=source.name, hint="Its frames would count twice: name it once.")
        packed = source.peek(len(GZIP_MAGIC)) == GZIP_MAGIC
        window = Window(Gunzip(source) if packed else source, spares)
        window.fill(first_bytes, first_bytes)
        while window.left < _HEAD_BYTES and window.fill(_HEAD_BYTES, block_bytes):
            pass
        head = window.head(_HEAD_BYTES)
        if head[:4] in PCAP_MAGICS:
            return PcapReader(source, window, packed, block_bytes)
        if head[:4] == SECTION_MAGIC:
            return PcapngReader(source, window, packed, block_bytes)
        raise not_a_capture(source.name, head, packed, window.trouble)
    except BaseException:
        source.close()
        raise
