"""A packed file's bytes in, the unpacked bytes out: all its members, as far as they are sound."""

from __future__ import annotations

from mbsniff.capture.packings import Decoder, Packing, is_damage
from mbsniff.capture.source import Source

_PIECE_BYTES = 1 << 16
STRETCH_BYTES = 256 << 20
MOST_TO_ONE = 500
"""No recording packs so well: every frame has a time of its own, and 16 bytes of header at least."""


class Unpacker:
    """The unpacked bytes of all members of a packed file; memory stays bounded, however well it was packed.

    A file of which STRETCH_BYTES come from less than a MOST_TO_ONE-th of that is not unpacked further.
    """

    def __init__(self, source: Source, packing: Packing) -> None:
        self._source = source
        self._packing = packing
        self._trouble: str | None = None
        self._decoder: Decoder = packing.decoder()
        self._members = 0
        self._packed = b""  # read, but not given to the decoder yet
        self._begun = False  # whether the member in hand has got any bytes
        self._ended = False
        self._piece = bytearray(_PIECE_BYTES)
        self._stretch_bytes = 0  # unpacked since the ratio was last looked at
        self._stretch_from = 0  # stored bytes read by then

    @property
    def trouble(self) -> str | None:
        """Why unpacking stopped before the end, if it did."""
        return self._source.trouble or self._trouble

    def readinto(self, view: memoryview) -> int:
        """Unpack into the view, at least one byte; 0 at the end, or at trouble."""
        while not self._ended and len(view):
            unpacked = self._unpacked(len(view))
            if unpacked:
                view[: len(unpacked)] = unpacked
                self._watch(len(unpacked))
                return len(unpacked)
        return 0

    def _unpacked(self, limit: int) -> bytes:
        """Up to ``limit`` bytes more, perhaps none although there is more to come."""
        if self._begun and not self._decoder.wants_more:
            return self._decoded(b"", limit)
        if not self._packed and not self._read():
            self._end("ends too early" if self._begun else None)
            return b""
        if not self._begun and not self._begin():
            return b""
        packed, self._packed = self._packed, b""
        return self._decoded(packed, limit)

    def _read(self) -> int:
        got = self._source.readinto(memoryview(self._piece))
        self._packed = bytes(self._piece[:got])
        return got

    def _begin(self) -> bool:
        """Begin the member that the bytes at hand belong to, if they are more than padding."""
        if self._members:
            self._packed = self._packed.lstrip(b"\0")
        if not self._packed:
            return False
        self._decoder = self._packing.decoder()
        self._begun = True
        return True

    def _decoded(self, packed: bytes, limit: int) -> bytes:
        try:
            unpacked = self._decoder.decompress(packed, limit)
        except Exception as error:
            if not is_damage(error):
                raise
            self._end(self._damage(str(error)))
            return b""
        if self._decoder.eof:
            self._packed = self._decoder.unused_data
            self._begun = False
            self._members += 1
        return unpacked

    def _watch(self, unpacked_bytes: int) -> None:
        """Stop where the last stretch came from next to nothing."""
        self._stretch_bytes += unpacked_bytes
        if self._stretch_bytes < STRETCH_BYTES:
            return
        stored_bytes = self._source.consumed_bytes - self._stretch_from
        if stored_bytes * MOST_TO_ONE < self._stretch_bytes:
            self._end(
                f"is not unpacked further: {self._stretch_bytes:,} bytes came of {stored_bytes:,} stored ones, "
                f"which no recording does (the limit is {MOST_TO_ONE} to 1 over {STRETCH_BYTES >> 20} MiB)"
            )
        self._stretch_from += stored_bytes
        self._stretch_bytes = 0

    def _end(self, why: str | None) -> None:
        self._ended = True
        self._trouble = f"the {self._packing.name} stream {why}" if why else None

    def _damage(self, reason: str) -> str:
        offset = self._source.consumed_bytes
        if "memory" in reason.lower():  # sound, but packed with a window that is too long
            return "needs more memory to unpack than is allowed"
        followed = ", or followed by something else," if self._members else ""
        return f"is damaged{followed} before byte {offset:,}"
