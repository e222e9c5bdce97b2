"""Damaged pcapng files: read up to the damage, which is named with its place."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from mbsniff.errors import CaptureError
from tests.capture.craft import (
    START_S,
    block,
    enhanced,
    interface,
    notes,
    obsolete,
    read_bytes,
    section,
    simple,
    statistics,
)

BOTH = pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
GOOD = section() + interface() + enhanced(b"good", START_S * 10**6)
PLACE = f"the block at byte {len(GOOD)} (after frame 1)"
AFTER = enhanced(b"after", START_S * 10**6)


def with_length(made: bytes, length: int, last: int | None = None) -> bytes:
    """The block with other lengths before and after it."""
    length_after = length if last is None else last
    return made[:4] + struct.pack("<I", length) + made[8:-4] + struct.pack("<I", length_after)


def with_captured(made: bytes, captured: int) -> bytes:
    """The enhanced or obsolete packet block with another captured length."""
    return made[:20] + struct.pack("<I", captured) + made[24:]


ENHANCED = enhanced(b"abcd", 0)
OBSOLETE = obsolete(b"abcd", 0)
DIFFER = "gives its length differently before and after it"


@BOTH
@pytest.mark.parametrize(
    ("made", "what"),
    [
        (with_length(ENHANCED, 0), "has an impossible length, 0 bytes"),
        (with_length(ENHANCED, 8), "has an impossible length, 8 bytes"),
        (with_length(ENHANCED, 37), "has an impossible length, 37 bytes"),
        (with_length(ENHANCED, 36, 40), DIFFER),
        (with_length(ENHANCED, 32), DIFFER),
        (block(6, bytes(16)), "has an impossible length, 28 bytes"),
        (block(2, bytes(16)), "has an impossible length, 28 bytes"),
        (block(3, b""), "has an impossible length, 12 bytes"),
        (block(1, bytes(4)), "has an impossible length, 16 bytes"),
        (block(5, bytes(8)), "has an impossible length, 20 bytes"),
        (with_captured(ENHANCED, 5), "has less room than the 5 bytes it claims to hold"),
        (with_captured(OBSOLETE, 2**32 - 1), "has less room than the 4,294,967,295 bytes it claims to hold"),
        (with_length(ENHANCED, 2**32 - 4), "claims to hold 4,294,967,292 bytes, more than any frame has"),
        (with_length(OBSOLETE, (5 << 20) + 4), "claims to hold 5,242,884 bytes, more than any frame has"),
        (enhanced(bytes((4 << 20) + 1), 0), "claims to hold 4,194,305 bytes, more than any frame has"),
        (simple(bytes((4 << 20) + 1)), "claims to hold 4,194,305 bytes, more than any frame has"),
        (section(version=(2, 0)), "begins a section of the unknown version 2.0"),
        (section()[:8] + b"wxyz" + bytes(16), "bears the unknown byte-order magic 77 78 79 7a"),
        (with_length(section(), 24), "has an impossible length, 24 bytes"),
        (with_length(section(), 2**31), "has an impossible length, 2,147,483,648 bytes"),
        (with_length(section(), 28, 32), DIFFER),
    ],
)
def test_damaged_block(tmp_path: Path, made: bytes, what: str, compiled: bool) -> None:
    """Frames before the damage are kept; the note says where and what it is."""
    reading = read_bytes(tmp_path, GOOD + made + AFTER, compiled)
    assert [frame.data for frame in reading.frames] == [b"good"]
    assert notes(reading) == [f"{PLACE} {what}; reading stops there"]


@BOTH
@pytest.mark.parametrize(
    "made",
    [ENHANCED, OBSOLETE, simple(b"abcd"), section(), interface(), statistics(0, b""), block(4, b"name")],
)
def test_end_within_a_block(tmp_path: Path, made: bytes, compiled: bool) -> None:
    """A file that ends within a block is read up to there, and says so, whatever block it is."""
    for size in (1, 8, 11, 12, len(made) - 1):
        reading = read_bytes(tmp_path, GOOD + made[: min(size, len(made) - 1)], compiled)
        assert [frame.data for frame in reading.frames] == [b"good"]
        assert notes(reading) == [f"ends in the middle of {PLACE}; read up to there"]


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (section()[:8], "it ends within its first block, after 8 bytes"),
        (section()[:27], "it ends within its first block, after 27 bytes"),
        (section(version=(9, 1)), "the unknown version 9.1"),
        (section()[:8] + bytes(20), "the unknown byte-order magic 00 00 00 00"),
        (with_length(section(), 12), "has an impossible length, 12 bytes"),
        (with_length(section(), 28, 0), DIFFER),
    ],
)
def test_unusable_first_section(tmp_path: Path, content: bytes, what: str) -> None:
    """A file whose first section header is not sound is no capture."""
    with pytest.raises(CaptureError, match=what.replace("(", r"\(")) as caught:
        read_bytes(tmp_path, content)
    assert caught.value.expected == "a section header block of pcapng 1.x, then further blocks"
