"""Files and standard input in, FrameBatch out: the only place that opens captures.

``open_recording`` opens any number of captures as one ``Recording``; its ``batches`` are all frames in
time order, its ``counters`` what was counted per file. ``frames_again`` gives single frames once more.
"""

from mbsniff.capture.again import Frame, can_be_read_again, frames_again
from mbsniff.capture.clocks import Clock
from mbsniff.capture.counters import FileCounters
from mbsniff.capture.frames import FrameBatch
from mbsniff.capture.names import Skipped
from mbsniff.capture.recording import Recording, open_recording

__all__ = [
    "Clock",
    "FileCounters",
    "Frame",
    "FrameBatch",
    "Recording",
    "Skipped",
    "can_be_read_again",
    "frames_again",
    "open_recording",
]
