"""A pcap file in, its frames out (draft-ietf-opsawg-pcap)."""

from __future__ import annotations

import struct

from mbsniff.capture import state as s
from mbsniff.capture.pcap_walk import walk_pcap
from mbsniff.capture.reader import FileReader
from mbsniff.capture.source import Source
from mbsniff.capture.window import Window
from mbsniff.errors import CaptureError

# Section 4: the first four bytes, and with them byte order and nanoseconds a tick.
_MICROSECONDS = 0xA1B2C3D4
_NANOSECONDS = 0xA1B23C4D
MAGICS = {
    struct.pack(order + "I", number): (order, tick_ns)
    for order in "<>"
    for number, tick_ns in ((_MICROSECONDS, 1000), (_NANOSECONDS, 1))
}
_HEADER = "IHHIIII"  # section 4: magic, version, two reserved fields, snapshot length, link type
HEADER_BYTES = 24
_VERSION = (2, 4)  # section 4
_LINK_MASK = 0xFFFF  # section 4: the upper half speaks of frame check sequences


class PcapReader(FileReader):
    """Frames of a pcap file."""

    format = "pcap"

    def __init__(self, source: Source, window: Window, compressed: bool, block_bytes: int) -> None:
        """Take the file header at the window's start; CaptureError if it is cut off or of another version."""
        super().__init__(source, window, compressed, block_bytes)
        head = window.head(HEADER_BYTES)
        if len(head) < HEADER_BYTES:
            raise CaptureError(
                f"it ends within its file header, after {len(head)} bytes",
                file=source.name,
                expected=f"a pcap header of {HEADER_BYTES} bytes, then records",
                hint="Was it copied completely?",
            )
        order, tick_ns = MAGICS[head[:4]]
        _, major, minor, _, _, _, link = struct.unpack(order + _HEADER, head)
        if (major, minor) != _VERSION:
            raise CaptureError(
                f"it is pcap of the unknown version {major}.{minor}",
                file=source.name,
                expected="version 2.4",
                hint="Is its header damaged? Export the recording anew.",
            )
        self.state[[s.BIG_ENDIAN, s.TICK_NS, s.TICKS_PER_S, s.LINK_TYPE]] = (
            order == ">",
            tick_ns,
            1_000_000_000 // tick_ns,
            link & _LINK_MASK,
        )
        window.start += HEADER_BYTES

    def _loop(self, compiled: bool) -> int:
        return int(walk_pcap(self.window.data, self.rows, self.state, compiled=compiled))

    @property
    def place(self) -> str:
        """The record that the loop stands before."""
        return f"record {self.frames + 1} at byte {self.window.offset:,}"
