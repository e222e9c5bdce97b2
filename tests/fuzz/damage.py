"""A file's parts in, the same with a header, a record, a block or an option damaged out; then any bytes at all."""

from __future__ import annotations

import bz2
import gzip
import lzma
import struct
from collections.abc import Callable
from random import Random

from tests.capture.craft import block, option
from tests.fuzz.files import Parts
from tests.fuzz.frames import poke

PartsMutator = Callable[[Parts, Random], None]
_PCAP_HEADER = ((0, 4), (4, 2), (6, 2), (8, 4), (12, 4), (16, 4), (20, 4))
_PCAP_RECORD = ((0, 4), (4, 4), (8, 4), (8, 4), (12, 4))
_BLOCK_WORDS = ((0, 4), (4, 4), (8, 4), (8, 2), (10, 2), (12, 4), (16, 4), (20, 4), (24, 4))
_KINDS = (1, 2, 3, 4, 5, 6, 0x0A0D0D0A, 0x0A, 0xBAD, 0x40000BAD, 0x80000001, 0)


def _order(parts: Parts) -> str:
    return "little" if parts.order == "<" else "big"


def header(parts: Parts, rng: Random) -> None:
    """A field of the file header, or of the first block."""
    words = _PCAP_HEADER if parts.format == "pcap" else _BLOCK_WORDS
    parts.pieces[0] = poke(parts.pieces[0], *rng.choice(words), rng, _order(parts))


def field(parts: Parts, rng: Random) -> None:
    """A field of a record's header, or of a block's."""
    place = rng.randrange(len(parts.pieces))
    words = _PCAP_RECORD if parts.format == "pcap" else _BLOCK_WORDS
    parts.pieces[place] = poke(parts.pieces[place], *rng.choice(words), rng, _order(parts))


def trailer(parts: Parts, rng: Random) -> None:
    """The length after a block."""
    place = rng.randrange(len(parts.pieces))
    parts.pieces[place] = poke(parts.pieces[place], len(parts.pieces[place]) - 4, 4, rng, _order(parts))


def kind(parts: Parts, rng: Random) -> None:
    """A block of another type, sound otherwise."""
    place = rng.randrange(len(parts.pieces))
    piece = parts.pieces[place]
    parts.pieces[place] = struct.pack(parts.order + "I", rng.choice(_KINDS)) + piece[4:]


def options(parts: Parts, rng: Random) -> None:
    """Options at a block's end: any code, a length that is right, points outside, or is missing."""
    place = rng.randrange(len(parts.pieces))
    piece = parts.pieces[place]
    if parts.format == "pcap" or len(piece) < 16:
        return
    code = rng.choice((0, 1, 2, 3, 4, 5, 7, 9, 14, 0x8000, 0xFFFF))
    value = rng.choice(
        (b"", b"\x09", b"\x89", b"\xff", bytes(8), b"\xff" * 8, rng.randbytes(rng.randrange(20)))
    )
    made = option(code, value, parts.order)
    if rng.random() < 0.5:
        made = poke(made, 2, 2, rng, _order(parts))
    body = piece[8:-4] + made * rng.choice((1, 1, 2, 30))
    parts.pieces[place] = block(struct.unpack_from(parts.order + "I", piece)[0], body, parts.order)


def larger(parts: Parts, rng: Random) -> None:
    """A record or block that claims to be gigantic, and is not, or that is larger than any frame."""
    place = rng.randrange(len(parts.pieces))
    size = rng.choice(((4 << 20) + 1, (5 << 20) + 4, 0x7FFFFFF0, 0xFFFFFFFC, 0xFFFFFFFF))
    at = 8 if parts.format == "pcap" else rng.choice((4, 20))
    piece = parts.pieces[place]
    if len(piece) >= at + 4:
        parts.pieces[place] = piece[:at] + struct.pack(parts.order + "I", size) + piece[at + 4 :]


def order(parts: Parts, rng: Random) -> None:
    """Records or blocks left out, doubled, exchanged."""
    a, b = rng.randrange(len(parts.pieces)), rng.randrange(len(parts.pieces))
    how = rng.randrange(3)
    if how == 0 and len(parts.pieces) > 1:
        del parts.pieces[a]
    elif how == 1:
        parts.pieces.insert(b, parts.pieces[a])
    else:
        parts.pieces[a], parts.pieces[b] = parts.pieces[b], parts.pieces[a]


def piece_end(parts: Parts, rng: Random) -> None:
    """A record or block that lacks bytes, or has more."""
    place = rng.randrange(len(parts.pieces))
    piece = parts.pieces[place]
    if rng.random() < 0.5:
        parts.pieces[place] = piece[: rng.randrange(len(piece) + 1)]
    else:
        parts.pieces[place] = piece + rng.randbytes(rng.randint(1, 20))


def cut(data: bytes, rng: Random) -> bytes:
    """The file ends early."""
    return data[: rng.randrange(len(data) + 1)]


def noise(data: bytes, rng: Random) -> bytes:
    """Some other bytes anywhere."""
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        if changed:
            changed[rng.randrange(len(changed))] = rng.choice((0, 0xFF, rng.randrange(256)))
    return bytes(changed)


def tail(data: bytes, rng: Random) -> bytes:
    """Bytes after the file's end, its own beginning among them."""
    return data + rng.choice((rng.randbytes(rng.randint(1, 40)), bytes(rng.randint(1, 40)), data[:100], data))


def middle(data: bytes, rng: Random) -> bytes:
    """Bytes left out of the middle, or put there."""
    at = rng.randrange(len(data) + 1)
    if rng.random() < 0.5:
        return data[:at] + data[at + rng.choice((1, 2, 4, 16, 100)) :]
    return data[:at] + rng.randbytes(rng.choice((1, 2, 4, 16))) + data[at:]


def packed(data: bytes, rng: Random) -> bytes:
    """The file compressed, perhaps in two members or twice."""
    pack = rng.choice((_gzip, _gzip, _gzip, bz2.compress, _xz))
    if rng.random() < 0.2:
        at = rng.randrange(len(data) + 1)
        return pack(data[:at]) + pack(data[at:])
    done = pack(data)
    return pack(done) if rng.random() < 0.05 else done


def _gzip(data: bytes) -> bytes:
    return gzip.compress(data, 1, mtime=0)


def _xz(data: bytes) -> bytes:
    return lzma.compress(data, preset=0)


PARTS: dict[str, PartsMutator] = {
    "file header": header, "record or block field": field, "block field": field, "block trailer": trailer,
    "block type": kind, "options": options, "gigantic": larger, "order": order, "record or block end": piece_end,
}  # fmt: skip
BYTES: dict[str, Callable[[bytes, Random], bytes]] = {
    "cut off": cut,
    "noise": noise,
    "tail": tail,
    "middle": middle,
}
