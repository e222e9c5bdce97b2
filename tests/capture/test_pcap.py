"""pcap files: all variants of draft-ietf-opsawg-pcap, and what is done about damaged ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.errors import CaptureError
from tests.capture.craft import (
    MICROSECONDS,
    NANOSECONDS,
    START_S,
    notes,
    pcap,
    pcap_header,
    read_bytes,
    record,
)

BOTH = pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])


@BOTH
@pytest.mark.parametrize(
    ("magic", "order", "tick_ns"),
    [
        # pcap draft, section 4: the first four bytes on disk.
        ("D4 C3 B2 A1", "<", 1000),
        ("4D 3C B2 A1", "<", 1),
        ("A1 B2 C3 D4", ">", 1000),
        ("A1 B2 3C 4D", ">", 1),
    ],
)
def test_variants(tmp_path: Path, magic: str, order: str, tick_ns: int, compiled: bool) -> None:
    """All four magic numbers give byte order and resolution as the draft has them."""
    header = bytes.fromhex(magic) + pcap_header(order)[4:]
    content = header + record(b"abc", 1_340_950_620, 834_163, 60, order) + record(b"", START_S, 1, 0, order)
    reading = read_bytes(tmp_path, content, compiled)
    assert [frame[1:] for frame in reading.frames] == [
        (1, b"abc", 60, 1_340_950_620_000_000_000 + 834_163 * tick_ns, 1),
        (2, b"", 0, START_S * 10**9 + tick_ns, 1),
    ]
    assert reading.counters[0].notes == []


def test_link_type_is_the_low_half(tmp_path: Path) -> None:
    """Pcap draft, section 4: what stands above the low 16 bits is no part of the link type."""
    reading = read_bytes(tmp_path, pcap_header(link=0xF400_0114) + record(b"x"))
    assert [frame.link for frame in reading.frames] == [276]  # LINUX_SLL2


@BOTH
def test_counters(tmp_path: Path, compiled: bool) -> None:
    """Frames, bytes and frames cut short are counted; more captured than original counts as whole."""
    content = pcap_header() + record(bytes(60), original=1500) + record(bytes(70), START_S + 2, original=10)
    reading = read_bytes(tmp_path, content, compiled)
    counters = reading.counters[0]
    assert [frame.original for frame in reading.frames] == [1500, 70]
    assert (counters.format, counters.compressed, counters.frames) == ("pcap", False, 2)
    assert (counters.captured_bytes, counters.original_bytes, counters.cut_short_frames) == (130, 1570, 1)
    assert (counters.first_ns, counters.last_ns) == (START_S * 10**9, (START_S + 2) * 10**9)
    assert (counters.epb_dropcount, counters.isb_ifdrop, counters.isb_osdrop) == (None, None, None)


@BOTH
@pytest.mark.parametrize(("magic", "ticks_per_s"), [(MICROSECONDS, 10**6), (NANOSECONDS, 10**9)])
def test_fraction_of_a_second_or_more(tmp_path: Path, magic: int, ticks_per_s: int, compiled: bool) -> None:
    """A fraction of a whole second or more is added as it stands, and counted as a bad time."""
    ticks = [ticks_per_s - 1, ticks_per_s, 2**32 - 1]
    content = pcap_header(magic=magic) + b"".join(record(b"x", 2**32 - 1, tick) for tick in ticks)
    reading = read_bytes(tmp_path, content, compiled)
    expected = [(2**32 - 1) * 10**9 + tick * (10**9 // ticks_per_s) for tick in ticks]
    assert [frame.time_ns for frame in reading.frames] == expected
    assert reading.counters[0].bad_times == 2


@BOTH
def test_absurd_length(tmp_path: Path, compiled: bool) -> None:
    """A record that claims more than 4 MiB ends the reading; frame number and offset are told."""
    good = pcap([0, 1])
    reading = read_bytes(tmp_path, good + record(b"")[:8] + b"\x01\x00\x40\x00" + bytes(10_000), compiled)
    assert len(reading.frames) == 2
    assert notes(reading) == [
        f"record 3 at byte {len(good)} claims to hold 4,194,305 bytes, more than any frame has;"
        " reading stops there"
    ]


@BOTH
def test_longest_frame(tmp_path: Path, compiled: bool) -> None:
    """A frame of exactly 4 MiB is read, whatever the block size."""
    data = bytes(range(256)) * (1 << 14)
    content = pcap([0]) + record(data) + record(b"after")
    reading = read_bytes(tmp_path, content, compiled, block_bytes=50_000)
    assert [frame.data for frame in reading.frames] == [b"frame 1", data, b"after"]


@BOTH
def test_end_within_a_record(tmp_path: Path, compiled: bool) -> None:
    """A file that ends within a record is read up to there, and says so."""
    good = pcap([0, 1])
    for rest in (record(b"data")[:1], record(b"data")[:16], record(b"data")[:-1]):
        reading = read_bytes(tmp_path, good + rest, compiled)
        assert len(reading.frames) == 2
        assert notes(reading) == [f"ends in the middle of record 3 at byte {len(good)}; read up to there"]


def test_no_frames(tmp_path: Path) -> None:
    """A capture without frames is a capture: its times are absent, not 0."""
    counters = read_bytes(tmp_path, pcap_header()).counters[0]
    assert (counters.frames, counters.first_ns, counters.last_ns, counters.notes) == (0, None, None, [])


def test_header_cut_off(tmp_path: Path) -> None:
    """A file that ends within its header is no capture, and the error says where it ends."""
    with pytest.raises(CaptureError, match="within its file header, after 23 bytes") as caught:
        read_bytes(tmp_path, pcap_header()[:23])
    assert caught.value.file == str(tmp_path / "made.cap")
    assert caught.value.expected and caught.value.hint


@pytest.mark.parametrize("version", [(2, 3), (3, 4), (0, 0), (0x0200, 0x0400)])
def test_unknown_version(tmp_path: Path, version: tuple[int, int]) -> None:
    """Only version 2.4 is read (pcap draft, section 4)."""
    with pytest.raises(
        CaptureError, match=rf"unknown version {version[0]}\.{version[1]}; expected version 2\.4"
    ):
        read_bytes(tmp_path, pcap_header(version=version))
