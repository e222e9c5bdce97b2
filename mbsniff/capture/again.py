"""Captures and ordinals of frames in, just these frames out: a second look at a recording that was read before."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture.frames import CAPTURED, LINK, ORIGINAL, POSITION, TIME_NS, FrameBatch
from mbsniff.capture.recording import open_recording


@dataclass(frozen=True)
class Frame:
    """One frame, with bytes of its own."""

    ordinal: int
    """Place in the recording, from 0."""
    data: bytes
    original_bytes: int
    """Its length on the wire; at least that of ``data``."""
    time_ns: int
    """Nanoseconds since the epoch, UTC."""
    link: int
    """Link type, -1 where the file does not say."""


def can_be_read_again(paths: Sequence[str]) -> bool:
    """Whether a second look is possible: standard input and pipes give their bytes only once."""
    return not any(path == "-" or Path(path).is_fifo() for path in paths)


def frames_again(
    paths: Sequence[str], ordinals: Iterable[int], *, shifts_ns: Mapping[str, int] | None = None
) -> Iterator[Frame]:
    """The frames with these ordinals, each once, in the order recorded; those that are not there are left out.

    ``paths`` and ``shifts_ns`` as given to ``open_recording``; ordinals count all their frames, from 0, in its order.
    Reading ends with the last frame wanted. CaptureError where a file cannot be opened any more.
    """
    wanted: NDArray[np.int64] = np.unique(np.fromiter(ordinals, np.int64))
    if not len(wanted):
        return
    with open_recording(paths, shifts_ns=shifts_ns) as recording:
        begin = 0
        for batch in recording.batches(compiled=not recording.small):
            first, last = np.searchsorted(wanted, (begin, begin + len(batch.rows))).tolist()
            for ordinal in wanted[first:last].tolist():
                yield _frame(batch, ordinal, ordinal - begin)
            begin += len(batch.rows)
            if last == len(wanted):
                return


def _frame(batch: FrameBatch, ordinal: int, place: int) -> Frame:
    row = batch.rows[place]
    position, captured, original, time_ns, link = (
        int(row[column]) for column in (POSITION, CAPTURED, ORIGINAL, TIME_NS, LINK)
    )
    return Frame(ordinal, batch.data[position : position + captured].tobytes(), original, time_ns, link)
