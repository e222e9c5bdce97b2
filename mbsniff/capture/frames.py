"""What capture hands to wire: batches of raw frames, one row of integers a frame over shared bytes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Columns of FrameBatch.rows.
POSITION = 0  # where the frame's first byte lies in FrameBatch.data
CAPTURED = 1  # bytes that the recording holds of it
ORIGINAL = 2  # bytes that it had on the wire; at least CAPTURED
TIME_NS = 3  # nanoseconds since the epoch, UTC
LINK = 4  # link type, as the pcap and pcapng drafts number them; -1 where the file does not say
FRAME_COLUMNS = 5


@dataclass(frozen=True)
class FrameBatch:
    """Consecutive frames of one file; where ``places`` is given, frames of several.

    Valid until the next batch is asked for: ``data`` is a buffer that the reader uses again.
    """

    data: NDArray[np.uint8]
    """The bytes, shape (n,), among them every frame's; C-contiguous."""
    rows: NDArray[np.int64]
    """Shape (frames, FRAME_COLUMNS), in the order recorded; C-contiguous."""
    file: int
    """Index of the first frame's file in the recording's list of files."""
    first_frame: int
    """Number of the first frame within its file, counted from 1."""
    places: NDArray[np.int64] | None = None
    """Shape (frames, 2): index of each frame's file, its number in it. None: ``file``, from ``first_frame`` on."""
