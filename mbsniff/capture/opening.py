"""A path in, the reader of the capture there out: how it is packed and of which format its first bytes tell."""

from __future__ import annotations

from collections.abc import Callable

from mbsniff.capture.packings import HEAD_BYTES, packing_of
from mbsniff.capture.pcap import MAGICS as PCAP_MAGICS
from mbsniff.capture.pcap import PcapReader
from mbsniff.capture.reader import FileReader
from mbsniff.capture.source import Source, not_a_capture
from mbsniff.capture.spares import Spares
from mbsniff.capture.unpack import Unpacker
from mbsniff.capture.window import Window

_READER_HEAD_BYTES = 64
PCAPNG_MAGIC = bytes.fromhex("0a0d0d0a")  # draft-ietf-opsawg-pcapng, section 4.1: alike in both byte orders


def open_capture(
    path: str,
    first_bytes: int,
    block_bytes: int,
    spares: Spares,
    check: Callable[[Source], None] = lambda source: None,
) -> FileReader:
    """Open one capture and read its first bytes; CaptureError if it is none, or from ``check``."""
    source = Source(path)
    try:
        check(source)
        packing = packing_of(source.peek(HEAD_BYTES))
        window = Window(Unpacker(source, packing) if packing else source, spares)
        window.fill(first_bytes, first_bytes)
        while window.left < _READER_HEAD_BYTES and window.fill(_READER_HEAD_BYTES, block_bytes):
            pass
        if window.head(4) in PCAP_MAGICS or window.head(4) == PCAPNG_MAGIC:
            return reader_of(source, window, packing is not None, block_bytes)
        raise not_a_capture(source.name, window.head(_READER_HEAD_BYTES), packing, window.trouble)
    except BaseException:
        source.close()
        raise


def reader_of(source: Source, window: Window, compressed: bool, block_bytes: int) -> FileReader:
    """The reader of what a window has of a pcap or pcapng file."""
    if window.head(4) in PCAP_MAGICS:
        return PcapReader(source, window, compressed, block_bytes)
    from mbsniff.capture.pcapng import PcapngReader  # with a loop of its own

    return PcapngReader(source, window, compressed, block_bytes)
