"""Time stamps of every resolution and offset, against exact fractions."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.capture.craft import enhanced, read_bytes, section, timed_interface

START_S = 1_700_000_000
MAX_TIME_NS = 2**63 - 1


def exact_ns(ticks: int, resolution: int, offset_s: int) -> int | None:
    """Pcapng draft, section 4.2: if_tsresol and if_tsoffset, rounded down; None outside [0, 2^63)."""
    base, digits = (2, resolution & 0x7F) if resolution & 0x80 else (10, resolution)
    unshifted = Fraction(ticks * 10**9, base**digits) // 1
    time_ns = unshifted + offset_s * 10**9
    return time_ns if 0 <= time_ns <= MAX_TIME_NS and unshifted <= MAX_TIME_NS else None


@st.composite
def stamps(draw: st.DrawFn) -> tuple[int, int, int]:
    """Ticks, resolution and offset: wild ones, and such as give times of our days."""
    resolution = draw(st.integers(0, 255))
    offset_s = draw(st.just(0) | st.integers(-(2**31), 2**31) | st.integers(-(2**63), 2**63 - 1))
    base, digits = (2, resolution & 0x7F) if resolution & 0x80 else (10, resolution)
    near = (START_S + draw(st.integers(0, 10**9))) * base**digits // 10 ** draw(st.integers(0, 9))
    ticks = draw(st.just(min(near, 2**64 - 1)) | st.integers(0, 2**64 - 1) | st.integers(0, 2**32))
    return ticks, resolution, offset_s


EDGES = [
    (START_S * 10**6, 6, 0),
    (2**64 - 1, 0, 0),
    (MAX_TIME_NS, 9, 0),
    (2**63, 9, 0),
    (MAX_TIME_NS // 1000, 6, 0),
    (MAX_TIME_NS // 1000 + 1, 6, 0),
    (2**64 - 1, 10, 0),  # high word from 2^31 on, and a time of our days
    (START_S * 10**10, 10, 0),
    (2**64 - 1, 18, 0),
    (2**64 - 1, 19, 0),
    (2**64 - 1, 127, 0),
    (START_S << 32 | 0xFFFFFFFF, 0x80 | 32, 0),
    (2**64 - 1, 0x80, 0),
    (2**64 - 1, 0x80 | 30, 0),
    (2**64 - 1, 0x80 | 31, 0),
    (2**64 - 1, 0x80 | 94, 0),
    (2**64 - 1, 0xFF, 0),
    (0, 6, -1),
    (10**6, 6, -1),
    (MAX_TIME_NS, 9, 1),
    (0, 9, 2**63 - 1),
    (2**64 - 1, 10, -(2**63)),
]


@pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
def test_exact(compiled: bool) -> None:
    """Each time is the exact fraction, rounded down, plus the offset; others are counted as bad."""

    @settings(max_examples=150, deadline=None)
    @given(st.lists(stamps(), min_size=1, max_size=40))
    @example(EDGES)
    def check(folder: Path, cases: list[tuple[int, int, int]]) -> None:
        interfaces = b"".join(timed_interface(resolution, offset_s) for _, resolution, offset_s in cases)
        frames = b"".join(enhanced(b"", ticks, index) for index, (ticks, _, _) in enumerate(cases))
        reading = read_bytes(folder, section() + interfaces + frames, compiled)
        expected, previous, bad = [], 0, 0
        for case in cases:
            time_ns = exact_ns(*case)
            bad += time_ns is None
            previous = previous if time_ns is None else time_ns
            expected.append(previous)
        assert [frame.time_ns for frame in reading.frames] == expected
        assert reading.counters[0].bad_times == bad

    with TemporaryDirectory() as folder:
        check(Path(folder))
