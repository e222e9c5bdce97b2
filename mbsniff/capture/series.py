"""Opened captures in, series out: files that follow one another, as one recorder wrote them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from mbsniff.capture.extent import Flows, first_flows, last_frames, read_through
from mbsniff.capture.reader import FileReader

_ROTATION_NS = 1_000_000  # a recorder's next file may begin so much before the last frame of the one before

_LEAST_BACK = 8  # frames: fewer may have been sent again, or delivered twice


@dataclass
class Series:
    """Files of one clock, in time order."""

    readers: list[FileReader] = field(default_factory=list)
    last_ns: int | None = None
    """Time of the last frame, None where only reading tells."""
    flows: Flows = field(default_factory=dict)
    """TCP sequence numbers at its end."""

    @property
    def is_stated(self) -> bool:
        """Whether the user said what to add to this clock."""
        return self.readers[0].shift_is_stated

    def add(self, reader: FileReader, compiled: bool) -> None:
        """Put a file behind the others. Where need be the first one is read through, to know where it ends."""
        end = last_frames(reader) or (None if self.readers else read_through(reader, compiled))
        self.readers.append(reader)
        self.last_ns, flows = end if end else (None, {})
        self.flows.update(flows)


def series_of(readers: list[FileReader], compiled: bool) -> list[Series]:
    """The files, which are in the order of their first frames, as few series as they can be.

    A file goes behind one that ends before it begins, if the connections that both show go on there and do not begin
    anew: TCP's numbers going back means that another recorder, with another clock, saw the same. Where only reading all
    of a file tells its end, that is done for the first of a series; behind others goes what differs in digits alone.
    """
    found: list[Series] = []
    for reader in readers:
        if reader.first_ns is None:
            continue
        first = first_flows(reader)
        fitting = [one for one in found if _follows(one, reader, first)]
        fitting.sort(key=lambda one: _stem(one.readers[-1]) == _stem(reader))
        if not fitting:
            found.append(Series())
        (fitting or found)[-1].add(reader, compiled)
    return found


def _follows(series: Series, reader: FileReader, first: list[tuple[int, int]]) -> bool:
    before = series.readers[-1]
    if (before.shift_ns, before.shift_is_stated) != (reader.shift_ns, reader.shift_is_stated):
        return False
    if series.last_ns is None:
        return _stem(before) == _stem(reader)
    if (reader.first_ns or 0) < series.last_ns - _ROTATION_NS:
        return False
    steps = [(sequence - series.flows[flow]) % 2**32 for flow, sequence in first if flow in series.flows]
    back = sum(step >= 2**31 for step in steps)
    return back < _LEAST_BACK or 4 * back < len(steps)


def _stem(reader: FileReader) -> str:
    return re.sub(r"\d+", "#", reader.source.path)
