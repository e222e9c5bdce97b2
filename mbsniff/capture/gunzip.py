"""A gzip file's bytes in, the unpacked bytes out (RFC 1952), as far as the file is sound."""

from __future__ import annotations

import zlib

from mbsniff.capture.source import Source

MAGIC = b"\x1f\x8b"  # RFC 1952, section 2.3.1
_GZIP_WINDOW = 31  # zlib: a window of 2^15 bytes, and 16 for a gzip header
_PIECE_BYTES = 1 << 16


class Gunzip:
    """The unpacked bytes of all members of a gzip file; memory stays bounded, however well it was packed."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._trouble: str | None = None
        self._inflater = zlib.decompressobj(_GZIP_WINDOW)
        self._members = 0
        self._packed = b""  # read, but not unpacked yet
        self._begun = False  # whether the member in hand has got any bytes
        self._ended = False
        self._piece = bytearray(_PIECE_BYTES)

    @property
    def trouble(self) -> str | None:
        """Why unpacking stopped before the end, if it did."""
        return self._source.trouble or self._trouble

    def readinto(self, view: memoryview) -> int:
        """Unpack into the view, at least one byte; 0 at the end, or at trouble."""
        while not self._ended and len(view):
            more = self._packed or self._read()
            unpacked = self._unpack(len(view)) if more else self._held_back(len(view))
            if unpacked:
                view[: len(unpacked)] = unpacked
                return len(unpacked)
        return 0

    def _read(self) -> int:
        got = self._source.readinto(memoryview(self._piece))
        self._packed = bytes(self._piece[:got])
        return got

    def _held_back(self, limit: int) -> bytes:
        """What the inflater gives without further input; after that, the end."""
        unpacked = self._inflater.decompress(b"", limit) if self._begun else b""
        if not unpacked:
            self._ended = True
            self._trouble = "the gzip stream ends too early" if self._begun else None
        return unpacked

    def _unpack(self, limit: int) -> bytes:
        """Up to ``limit`` bytes more, perhaps none although there is more to come."""
        if not self._begun:
            self._packed = self._packed.lstrip(b"\0") if self._members else self._packed  # padding
            if not self._packed:
                return b""
            self._inflater = zlib.decompressobj(_GZIP_WINDOW)
            self._begun = True
        before = self._inflater.copy()
        try:
            unpacked = self._inflater.decompress(self._packed, limit)
        except zlib.error:
            self._inflater = before
            return self._unpack_to_damage(limit)
        self._packed = self._inflater.unconsumed_tail
        if self._inflater.eof:
            self._packed = self._inflater.unused_data
            self._begun = False
            self._members += 1
        return unpacked

    def _unpack_to_damage(self, limit: int) -> bytes:
        """The same byte by byte, so that nothing before the damage is lost."""
        unpacked = bytearray()
        packed, at = self._packed, 0
        while at < len(packed) and len(unpacked) < limit:
            try:
                unpacked += self._inflater.decompress(packed[at : at + 1], limit - len(unpacked))
            except zlib.error:
                self._ended = True
                self._trouble = self._damage()
                break
            at += 1 - len(self._inflater.unconsumed_tail)
        self._packed = packed[at:]
        return bytes(unpacked)

    def _damage(self) -> str:
        offset = self._source.consumed_bytes
        if self._members:
            return f"the gzip stream is damaged, or followed by something else, before byte {offset:,}"
        return f"the gzip stream is damaged before byte {offset:,}"
