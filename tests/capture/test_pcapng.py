"""pcapng files: sections, interfaces and all kinds of packet blocks of draft-ietf-opsawg-pcapng."""

from __future__ import annotations

import struct
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.capture.craft import (
    START_S,
    block,
    enhanced,
    interface,
    obsolete,
    option,
    read_bytes,
    section,
    simple,
    statistics,
    timed_interface,
)

BOTH = pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
START_US = START_S * 10**6
START_NS = START_S * 10**9


@BOTH
def test_time_stamp_vector(tmp_path: Path, compiled: bool) -> None:
    """Pcapng draft, section 4.3: the example of a time stamp, in the default resolution."""
    made = enhanced(b"x", 0)
    stamped = made[:12] + bytes.fromhex("96 C3 04 00 73 89 6A 65") + made[20:]
    frames = read_bytes(tmp_path, section() + interface() + stamped, compiled).frames
    expected = datetime(2012, 6, 29, 6, 17, 0, 834163, tzinfo=UTC)
    assert [frame.time_ns for frame in frames] == [int(expected.timestamp()) * 10**9 + 834163 * 1000]


@BOTH
@pytest.mark.parametrize("order", ["<", ">"])
def test_all_packet_blocks(tmp_path: Path, order: str, compiled: bool) -> None:
    """Enhanced, simple and obsolete packet blocks give frames, in both byte orders."""
    content = (
        section(order)
        + interface(101, 0, order=order)
        + interface(276, 0, order=order)
        + enhanced(b"abcde", START_US, 1, 60, order=order)
        + simple(b"abc", order=order)
        + obsolete(b"ab", START_US + 1, 1, order=order)
        + enhanced(b"", START_US + 2, 0, order=order)
    )
    reading = read_bytes(tmp_path, content, compiled)
    assert [frame[1:] for frame in reading.frames] == [
        (1, b"abcde", 60, START_NS, 276),
        (2, b"abc", 3, START_NS, 101),
        (3, b"ab", 2, START_NS + 1000, 276),
        (4, b"", 0, START_NS + 2000, 101),
    ]
    counters = reading.counters[0]
    assert (counters.format, counters.frames, counters.cut_short_frames) == ("pcapng", 4, 1)
    assert (counters.untimed_frames, counters.bad_times, counters.notes) == (1, 0, [])


@BOTH
def test_simple_packets_are_limited_by_the_snapshot_length(tmp_path: Path, compiled: bool) -> None:
    """Pcapng draft, section 4.4: interface 0's SnapLen says how much of a simple packet there is."""
    content = section() + interface(snaplen=6) + simple(b"abcdef\0\0", 1500) + simple(b"abc")
    reading = read_bytes(tmp_path, content, compiled)
    assert [(frame.data, frame.original, frame.time_ns) for frame in reading.frames] == [
        (b"abcdef", 1500, 0),
        (b"abc", 3, 0),
    ]
    assert reading.counters[0].untimed_frames == 2


@BOTH
def test_simple_packet_longer_than_its_block(tmp_path: Path, compiled: bool) -> None:
    """Of a simple packet of an unlimited interface there is no more than the block has room for."""
    frames = read_bytes(tmp_path, section() + interface() + simple(b"abcd", 1500), compiled).frames
    assert [(frame.data, frame.original) for frame in frames] == [(b"abcd", 1500)]


@BOTH
def test_interfaces_restart_in_each_section(tmp_path: Path, compiled: bool) -> None:
    """Byte order, link types, resolutions and offsets are those of the frame's own section."""
    content = (
        section("<")
        + timed_interface(9, 0, 1)
        + timed_interface(3, -5, 101)
        + enhanced(b"a", START_NS + 7, 0)
        + enhanced(b"b", START_S * 1000 + 1, 1)
        + section(">", (1, 2), option(4, b"made by hand", ">"))
        + timed_interface(0x80 | 10, 100, 113, ">")
        + enhanced(b"c", START_S * 1024 + 512, 0, order=">")
        + section("<", length=0)
        + interface(228)
        + enhanced(b"d", START_US, 0)
    )
    reading = read_bytes(tmp_path, content, compiled)
    assert [(frame.data, frame.time_ns, frame.link) for frame in reading.frames] == [
        (b"a", START_NS + 7, 1),
        (b"b", START_NS + 10**6 - 5 * 10**9, 101),
        (b"c", START_NS + 10**9 // 2 + 100 * 10**9, 113),
        (b"d", START_NS, 228),
    ]
    assert [frame.number for frame in reading.frames] == [1, 2, 3, 4]


@BOTH
def test_undescribed_interface(tmp_path: Path, compiled: bool) -> None:
    """Frames of an interface that no block describes have no link type, and a note tells the first."""
    content = section() + interface() + enhanced(b"a", START_US) + enhanced(b"b", START_US + 1, 3)
    content += obsolete(b"c", START_US, 7) + section() + simple(b"d")
    reading = read_bytes(tmp_path, content, compiled)
    assert [(f.data, f.link, f.time_ns) for f in reading.frames] == [
        (b"a", 1, START_NS),
        (b"b", -1, START_NS),
        (b"c", -1, START_NS),
        (b"d", -1, START_NS),
    ]
    assert reading.counters[0].bad_times == 2
    assert reading.counters[0].notes == [
        "interface 3, that of frame 2 and of 2 other such frames, is not described"
    ]


@BOTH
def test_many_interfaces(tmp_path: Path, compiled: bool) -> None:
    """The interface table grows."""
    content = section() + b"".join(interface(link) for link in range(100))
    content += b"".join(enhanced(b"x", START_US, index) for index in range(100))
    frames = read_bytes(tmp_path, content, compiled).frames
    assert [frame.link for frame in frames] == list(range(100))


def test_too_many_interfaces(tmp_path: Path) -> None:
    """The interface table does not grow without bound."""
    content = section() + interface() * (1 << 16) + enhanced(b"x", START_US) + interface()
    reading = read_bytes(tmp_path, content)
    assert len(reading.frames) == 1
    (note,) = reading.counters[0].notes
    assert "describes the 65,537th interface of one section; reading stops there" in note


@BOTH
def test_unknown_blocks_are_skipped(tmp_path: Path, compiled: bool) -> None:
    """Blocks of other types are passed over (pcapng draft, section 3.1), short ones and long ones."""
    content = section() + interface()
    for kind in (4, 0x0A, 0x0BAD, 0x40000BAD, 0x80000001, 0xFFFFFFFF):
        content += block(kind, b"whatever") + enhanced(b"x", START_US)
    content += block(0x0A, bytes(6 << 20)) + enhanced(b"behind", START_US) + block(4, b"")
    reading = read_bytes(tmp_path, content, compiled)
    assert [frame.data for frame in reading.frames] == [b"x"] * 6 + [b"behind"]
    assert reading.counters[0].notes == []
    assert reading.frames == read_bytes(tmp_path, content, compiled, block_bytes=3001).frames


def test_long_block_whose_lengths_differ(tmp_path: Path) -> None:
    """The length behind a block is checked even where the block is too long to be kept."""
    content = (
        section() + interface() + enhanced(b"x", START_US) + block(0x0A, bytes(6 << 20))[:-4] + bytes(50)
    )
    reading = read_bytes(tmp_path, content)
    assert reading.counters[0].notes == [
        "the block at byte 84 (after frame 1) gives its length differently before and after it;"
        " reading stops there"
    ]
    for cut in (content[:-50], content[:-53], content[: 5 << 20]):
        assert read_bytes(tmp_path, cut).counters[0].notes == [
            "ends in the middle of the block at byte 84 (after frame 1); read up to there"
        ]


@BOTH
@pytest.mark.parametrize("order", ["<", ">"])
def test_loss_counters(tmp_path: Path, order: str, compiled: bool) -> None:
    """Losses are added up: each frame's, and the last statistics of each interface and section."""

    def drops(code: int, count: int) -> bytes:
        return option(code, struct.pack(order + "Q", count), order)

    end = option(0, b"", order)
    content = section(order) + interface(order=order) * 2
    content += enhanced(b"abc", START_US, options=option(1, b"text", order) + drops(4, 3) + end, order=order)
    content += enhanced(b"abcd", START_US, options=option(2, bytes(4), order) + drops(4, 2**33), order=order)
    content += obsolete(b"x", START_US, drops=5, order=order) + obsolete(b"x", START_US, order=order)
    content += statistics(0, drops(5, 10) + drops(7, 1) + end, order)
    content += statistics(0, drops(4, 99) + drops(5, 20) + end, order)
    content += statistics(1, drops(5, 300) + end, order)
    content += section(order) + interface(order=order) + statistics(0, drops(5, 4000), order)
    counters = read_bytes(tmp_path, content, compiled).counters[0]
    assert counters.epb_dropcount == 3 + 2**33 + 5
    assert counters.isb_ifdrop == 20 + 300 + 4000
    assert counters.isb_osdrop == 1
    assert counters.notes == []


@BOTH
def test_loss_that_no_counter_holds(tmp_path: Path, compiled: bool) -> None:
    """Loss counters stop at 2^62 instead of wrapping round."""
    huge = option(4, struct.pack("<Q", 2**64 - 1))
    content = section() + interface() + enhanced(b"", START_US, options=huge) * 3
    assert read_bytes(tmp_path, content, compiled).counters[0].epb_dropcount == 2**62


def test_statistics_of_an_undescribed_interface(tmp_path: Path) -> None:
    """They are left out, with a note."""
    counters = read_bytes(tmp_path, section() + statistics(0, option(5, bytes(8)))).counters[0]
    assert counters.isb_ifdrop is None
    assert counters.notes == [
        "the block at byte 28 (after frame 0) has statistics of interface 0, which is not described"
    ]


@pytest.mark.parametrize("sizes", [{}, {"block_bytes": 1, "batch_rows": 1}])
def test_notes_tell_the_frame_before(tmp_path: Path, sizes: dict[str, int]) -> None:
    """The frame named in a note is the one before the block, whether or not it was given out yet."""
    content = section() + interface() + enhanced(b"", START_US) * 3 + statistics(9, b"")
    assert read_bytes(tmp_path, content, **sizes).counters[0].notes == [
        "the block at byte 144 (after frame 3) has statistics of interface 9, which is not described"
    ]


def test_damaged_options(tmp_path: Path) -> None:
    """Options before the damage are used, and a note tells the block."""
    options = option(9, b"\x09") + struct.pack("<HH", 14, 200) + bytes(8)
    reading = read_bytes(tmp_path, section() + interface(options=options) + enhanced(b"x", START_NS))
    assert [frame.time_ns for frame in reading.frames] == [START_NS]
    assert reading.counters[0].notes == [
        "the block at byte 28 (after frame 0) has damaged options; those before the damage are used"
    ]


def test_notes_are_limited(tmp_path: Path) -> None:
    """A file full of damage gives a screenful of notes, not one a block."""
    content = section() + interface(options=struct.pack("<HH", 14, 200)) * 100
    listed = read_bytes(tmp_path, content).counters[0].notes
    assert len(listed) == 21
    assert listed[-1] == "80 further warnings are left out"
