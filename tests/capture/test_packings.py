"""Packed captures: of each kind, in several members, cut off, damaged, and packed to do harm."""

from __future__ import annotations

import bz2
import gzip
import lzma
import random
import struct
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard

from mbsniff.capture import open_recording
from mbsniff.capture.packings import PACKINGS, packing_of
from mbsniff.capture.unpack import MOST_TO_ONE, STRETCH_BYTES
from mbsniff.errors import CaptureError
from tests.capture.craft import notes, pcap, pcap_header, read_bytes

PACK: dict[str, Callable[[bytes], bytes]] = {
    "gzip": lambda data: gzip.compress(data, mtime=0),
    "xz": lzma.compress,
    "bzip2": bz2.compress,
    "Zstandard": lambda data: zstandard.ZstdCompressor(write_checksum=True).compress(data),
}
EACH = pytest.mark.parametrize("way", PACK)


def test_known_by_their_first_bytes() -> None:
    """Each kind is told by how it begins (RFC 1952, the .xz format, RFC 8878), and a capture is none of them."""
    assert {name: packing_of(pack(b"x")[:6]).name for name, pack in PACK.items()} == {n: n for n in PACK}  # type: ignore[union-attr]
    assert packing_of(struct.pack("<I", 0x184D2A50) + b"\0\0").name == "Zstandard"  # type: ignore[union-attr]
    assert packing_of(pcap([0])[:6]) is None
    assert {packing.name for packing in PACKINGS} == set(PACK)


@EACH
def test_several_members(tmp_path: Path, way: str) -> None:
    """Members one behind the other are one file; so are empty ones among them, and zeros behind them."""
    content = pcap(range(1000))
    packed = b"".join(PACK[way](content[at : at + 4999]) for at in range(0, len(content), 4999))
    for tail in (b"", PACK[way](b"") + bytes(1000)):
        reading = read_bytes(tmp_path, packed + tail)
        assert len(reading.frames) == 1000
        assert notes(reading) == []
        assert (reading.counters[0].compressed, reading.counters[0].unread_bytes) == (True, 0)


def test_skippable_frames(tmp_path: Path) -> None:
    """Zstandard's skippable frames (RFC 8878, 3.1.2), which parallel packers write, hold nothing of the file."""
    skippable = struct.pack("<II", 0x184D2A5F, 5) + b"12345"
    reading = read_bytes(tmp_path, skippable + PACK["Zstandard"](pcap(range(9))) + skippable)
    assert (len(reading.frames), notes(reading)) == (9, [])


@EACH
def test_cut_off(tmp_path: Path, way: str) -> None:
    """Cut off anywhere: the frames before the cut and a note, or a CaptureError; never more the shorter it is."""
    content = pcap(range(300), b"a frame that is not the same as any other, number")
    packed = PACK[way](content)
    whole = read_bytes(tmp_path, content).frames
    most = 0
    for size in range(1, len(packed), 7):
        try:
            reading = read_bytes(tmp_path, packed[:size])
        except CaptureError:
            assert most == 0
            continue
        assert reading.frames == whole[: len(reading.frames)]
        assert notes(reading)[-1] == f"the {way} stream ends too early"
        assert len(reading.frames) >= most
        most = len(reading.frames)
    assert way in ("bzip2", "Zstandard") or most > 250  # these two keep a block for when it is complete


@EACH
def test_damaged(tmp_path: Path, way: str) -> None:
    """What comes before the damage is read, and the damage is noted with what was not read behind it."""
    content = pcap(range(60_000))
    packed = bytearray(PACK[way](content))
    packed[2 * len(packed) // 3] ^= 0xFF  # which gzip may notice at its end only, by its checksum
    reading = read_bytes(tmp_path, bytes(packed))
    whole = read_bytes(tmp_path, content).frames
    assert 10_000 < len(reading.frames) < 60_000 + (way == "gzip")
    assert reading.frames[:10_000] == whole[:10_000]
    assert f"the {way} stream is damaged before byte" in notes(reading)[-1]
    unread = reading.counters[0].unread_bytes
    assert unread is not None and 0 <= unread < len(packed)


@EACH
def test_followed_by_something_else(tmp_path: Path, way: str) -> None:
    """What follows without being packed so is left out, with a note."""
    reading = read_bytes(tmp_path, PACK[way](pcap(range(10))) + b"something else")
    assert len(reading.frames) == 10
    (note,) = notes(reading)
    assert note.startswith(f"the {way} stream is damaged, or followed by something else, before byte ")


@EACH
def test_nothing_in_it(tmp_path: Path, way: str) -> None:
    """A packed file without content, and one that holds something else, are told as such."""
    for content, what in (
        (b"", f"this {way} file holds nothing"),
        (b"no capture", f'what is in this {way} file is no capture: it begins with the text "no capture"'),
    ):
        with pytest.raises(CaptureError) as caught:
            read_bytes(tmp_path, PACK[way](content))
        assert caught.value.what == what


def test_a_window_beyond_the_limit(tmp_path: Path) -> None:
    """A Zstandard frame that asks for 512 MiB of memory (RFC 8878, 3.1.1.1.2) is refused."""
    asking = b"\x28\xb5\x2f\xfd" + bytes([0x00, (29 - 10) << 3]) + bytes([0x01, 0x00, 0x00])
    with pytest.raises(CaptureError) as caught:
        read_bytes(tmp_path, asking)
    assert "needs more memory to unpack than is allowed" in caught.value.what


def zeros(way: str, size: int) -> bytes:
    """A capture of so many bytes of empty records, packed piece by piece."""
    if way == "Zstandard":  # all of it in one frame, as tight as can be
        return zstandard.ZstdCompressor(level=19).compress(pcap_header() + bytes(size))
    piece = 1 << 24
    more = PACK[way](bytes(piece))
    return PACK[way](pcap_header()) + more * (size // piece)


@EACH
def test_bombs_stop_at_the_limit(tmp_path: Path, way: str) -> None:
    """What unpacks to a thousand times its size and more is read up to the stated limit, in little memory."""
    path = tmp_path / "bomb"
    path.write_bytes(zeros(way, 2 * STRETCH_BYTES))
    assert path.stat().st_size * MOST_TO_ONE < STRETCH_BYTES
    frames, largest = 0, 0
    tracemalloc.start()
    with open_recording([str(path)], batch_rows=1 << 16) as recording:
        for batch in recording.batches(compiled=True):
            frames += len(batch.rows)
            largest = max(largest, len(batch.data))
        counters = recording.counters[0]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert STRETCH_BYTES - 64 <= frames * 16 <= STRETCH_BYTES + (4 << 20)
    assert largest < 8 << 20 and peak < 64 << 20
    assert "which no recording does (the limit is 500 to 1 over 256 MiB)" in counters.notes[-1]


def test_repetitive_captures_are_no_bombs(tmp_path: Path) -> None:
    """Polling that packs a hundredfold, over more than the stretch that is looked at, is read whole."""
    records = pcap(range(0, 30_000_000, 300), bytes(200))  # times and numbers differ, little else does
    packed = lzma.compress(records, preset=1)
    assert len(records) > 30 * len(packed)
    many = 12
    path = tmp_path / "polling"
    body = lzma.compress(records[24:], preset=1)
    path.write_bytes(packed + body * (many - 1))
    with open_recording([str(path)]) as recording:
        frames = sum(len(batch.rows) for batch in recording.batches(compiled=True))
        assert (frames, recording.counters[0].notes) == (many * 100_000, [])


@pytest.mark.parametrize(("behind_bytes", "warnings"), [(5000, 2), (8_000_000, 1)])
def test_damage_before_damage(tmp_path: Path, behind_bytes: int, warnings: int) -> None:
    """Damage soon behind a damaged record is told with it; how far ahead was read changes no warning."""
    absurd = pcap(range(5)) + struct.pack("<IIII", 1, 1, 1 << 31, 1 << 31)
    damaged = PACK["gzip"](absurd + bytes(behind_bytes))[:-8] + b"\xff" * 8
    for sizes in ({}, {"block_bytes": 64}, {"block_bytes": 1 << 16}):
        reading = read_bytes(tmp_path, damaged, **sizes)
        assert "record 6" in notes(reading)[0] and len(reading.frames) == 5
        assert len(notes(reading)) == warnings


def test_damage_loses_nothing_however_much_is_unpacked_at_once() -> None:
    """Of damaged gzip files everything before the damage is read, in pieces of any size."""
    drawn = random.Random(1)
    content = pcap(range(60), b"a frame, number")
    damaged = 0
    for level in (1, 6, 9):
        for _ in range(60):
            packed = bytearray(gzip.compress(content, level, mtime=0))
            packed[drawn.randrange(12, len(packed))] = drawn.randrange(256)
            results = [unpacked(bytes(packed), limit) for limit in (1, 7, 64, 1000, 1 << 20)]
            assert results == [results[-1]] * 5
            damaged += results[-1] != content
    assert damaged > 100


def unpacked(packed: bytes, limit: int) -> bytes:
    """What a gzip file gives, up to so many bytes at once, until it ends or is found damaged."""
    decoder = PACKINGS[0].decoder()
    found = bytearray()
    try:
        found += decoder.decompress(packed, limit)
        while not decoder.eof and not decoder.wants_more:
            found += decoder.decompress(b"", limit)
    except zlib.error:
        pass
    return bytes(found)
