"""First bytes of a file in, how it is packed out: gzip, xz, bzip2 or Zstandard, and what unpacks each."""

from __future__ import annotations

import importlib
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

HEAD_BYTES = 6
"""So many first bytes tell how a file is packed."""
STEP_BYTES = 1 << 14  # unpacked at once, where bytes of a step that meets damage are lost
_GZIP_WINDOW = 31  # zlib: a window of 2^15 bytes, and 16 for a gzip header
MAX_WINDOW_BYTES = 1 << 27
"""What unpacking one file may keep of what it unpacked; the most that packers use unless told otherwise."""
_XZ_MEMORY_BYTES = MAX_WINDOW_BYTES + (1 << 24)
_ZSTD_PIECE_BYTES = 512  # a block of 128 KiB can be packed in 4 bytes, so a piece gives at most 16 MiB


class Decoder(Protocol):
    """Unpacks one member of a packed file."""

    @property
    def eof(self) -> bool:
        """Whether the member is complete."""

    @property
    def unused_data(self) -> bytes:
        """What was given behind the end of the member."""

    @property
    def wants_more(self) -> bool:
        """Whether only further packed bytes bring further unpacked ones."""

    def decompress(self, packed: bytes, limit: int) -> bytes:
        """Up to ``limit`` bytes more; DAMAGE if the stream is not sound."""


class _Inflater:
    """gzip (RFC 1952), which gives everything up to the byte at which the damage shows."""

    def __init__(self) -> None:
        self._zlib = zlib.decompressobj(_GZIP_WINDOW)
        self._packed = b""
        self._damage: zlib.error | None = None
        self._full = False

    @property
    def eof(self) -> bool:
        return self._zlib.eof

    @property
    def unused_data(self) -> bytes:
        return self._zlib.unused_data

    @property
    def wants_more(self) -> bool:
        return not self._packed and not self._full and self._damage is None

    def decompress(self, packed: bytes, limit: int) -> bytes:
        if self._damage is not None:
            raise self._damage
        packed = self._packed + packed
        before = self._zlib.copy()
        try:
            unpacked = self._zlib.decompress(packed, limit)
        except zlib.error:
            self._zlib = before
            return self._to_damage(packed, limit)
        self._packed = b"" if self._zlib.eof else self._zlib.unconsumed_tail
        self._full = len(unpacked) == limit
        return unpacked

    def _to_damage(self, packed: bytes, limit: int) -> bytes:
        """The same in ever smaller pieces, so that nothing before the damage is lost."""
        unpacked = bytearray()
        at, size = 0, len(packed)
        while size and at < len(packed) and len(unpacked) < limit:
            before = self._zlib.copy()
            piece = packed[at : at + size]
            try:
                unpacked += self._zlib.decompress(piece, limit - len(unpacked))
                piece = piece[: len(piece) - len(self._zlib.unconsumed_tail)]
            except zlib.error:
                self._zlib = before
                size //= 2
                if size:
                    continue
                piece = self._byte_by_byte(piece, unpacked, limit)
            at += len(piece)
        self._packed = packed[at:]
        self._full = len(unpacked) == limit
        return bytes(unpacked)

    def _byte_by_byte(self, last: bytes, unpacked: bytearray, limit: int) -> bytes:
        """Add what the ``last`` packed byte gives before the damage that it brings; how much of it is used up."""
        rest = last
        try:
            more = b"?"
            while len(unpacked) < limit and (more or rest):
                more = self._zlib.decompress(rest, 1)
                rest = self._zlib.unconsumed_tail
                unpacked += more
        except zlib.error as damage:
            self._damage = damage
        return last[: len(last) - len(rest)]


class _Buffered:
    """xz and bzip2, whose decoders keep what they were given and did not unpack yet."""

    def __init__(self, decoder: Any) -> None:
        self._decoder = decoder

    @property
    def eof(self) -> bool:
        return bool(self._decoder.eof)

    @property
    def unused_data(self) -> bytes:
        return bytes(self._decoder.unused_data)

    @property
    def wants_more(self) -> bool:
        return bool(self._decoder.needs_input)

    def decompress(self, packed: bytes, limit: int) -> bytes:
        return bytes(self._decoder.decompress(packed, min(limit, STEP_BYTES)))


def _xz() -> _Buffered:
    import lzma  # as bz2, only where a file is packed so

    return _Buffered(lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=_XZ_MEMORY_BYTES))


def _bzip2() -> _Buffered:
    import bz2

    return _Buffered(bz2.BZ2Decompressor())


class _Zstandard:
    """Zstandard (RFC 8878), whose decoder knows no limit: it gets small pieces, and what is over waits."""

    def __init__(self) -> None:
        library = importlib.import_module("zstandard")
        self._decoder = library.ZstdDecompressor(max_window_size=MAX_WINDOW_BYTES).decompressobj()
        self._packed = b""
        self._waiting = memoryview(b"")

    @property
    def eof(self) -> bool:
        return bool(self._decoder.eof) and not self._waiting

    @property
    def unused_data(self) -> bytes:
        return bytes(self._decoder.unused_data) + self._packed

    @property
    def wants_more(self) -> bool:
        return not self._packed and not self._waiting

    def decompress(self, packed: bytes, limit: int) -> bytes:
        self._packed += packed
        if not self._waiting and not self._decoder.eof:
            piece, self._packed = self._packed[:_ZSTD_PIECE_BYTES], self._packed[_ZSTD_PIECE_BYTES:]
            self._waiting = memoryview(self._decoder.decompress(piece))
        unpacked, self._waiting = bytes(self._waiting[:limit]), self._waiting[limit:]
        return unpacked


@dataclass(frozen=True)
class Packing:
    """One way of packing: its name, how it begins, its decoder."""

    name: str
    begins: tuple[bytes, ...]
    """First bytes, any of these."""
    decoder: Callable[[], Decoder]


PACKINGS = (
    Packing("gzip", (b"\x1f\x8b",), _Inflater),  # RFC 1952, section 2.3.1
    Packing(  # the .xz file format 1.2, section 2.1.1.1
        "xz",
        (b"\xfd7zXZ\x00",),
        _xz,
    ),
    # Common practice: bzip2 has no published standard.
    Packing("bzip2", tuple(b"BZh%d" % level for level in range(1, 10)), _bzip2),
    # RFC 8878, sections 3.1.1 (frame) and 3.1.2 (skippable frame, which may come first).
    Packing(
        "Zstandard",
        (b"\x28\xb5\x2f\xfd", *(bytes((n,)) + b"\x2a\x4d\x18" for n in range(0x50, 0x60))),
        _Zstandard,
    ),
)


def packing_of(head: bytes) -> Packing | None:
    """How a file that begins with these bytes is packed, None if it is not."""
    return next((packing for packing in PACKINGS if head.startswith(packing.begins)), None)


def is_damage(error: Exception) -> bool:
    """Whether a decoder raised this because its input is not sound (lzma's and zstandard's errors by name)."""
    known = isinstance(error, (zlib.error, OSError, EOFError, ValueError))
    return known or type(error).__name__ in ("LZMAError", "ZstdError")
