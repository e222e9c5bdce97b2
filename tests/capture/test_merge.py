"""Several files: in time order, wherever they overlap, each with its own frame numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mbsniff.capture import open_recording
from tests.capture.craft import START_S, Frame, pcap, read

START_NS = START_S * 10**9


def write(folder: Path, times_us: Sequence[Sequence[int]]) -> list[Path]:
    """A file per list of times; its frames are named after it."""
    paths = [folder / f"{index}.pcap" for index in range(len(times_us))]
    for index, (path, times) in enumerate(zip(paths, times_us, strict=True)):
        path.write_bytes(pcap(times, b"file %d frame" % index))
    return paths


def merged_simply(times_us: Sequence[Sequence[int]]) -> list[tuple[int, int, int]]:
    """(time, file, frame number), always from the file whose next frame is the earliest."""
    left = [(list(times), 0) for times in times_us]
    order = []
    while any(times[at:] for times, at in left):
        _, file = min((times[at], index) for index, (times, at) in enumerate(left) if at < len(times))
        times, at = left[file]
        order.append((times[at], file, at + 1))
        left[file] = times, at + 1
    return order


def seen(frames: list[Frame]) -> list[tuple[int, int, int]]:
    return [((frame.time_ns - START_NS) // 1000, frame.file, frame.number) for frame in frames]


def test_in_the_order_of_the_first_frames(tmp_path: Path) -> None:
    """Files come by their first frame, however they were named; those without frames come last."""
    paths = write(tmp_path, [[20, 21], [], [0, 1], [10]])
    for order in permutations(paths):
        reading = read(order)
        assert reading.files == [str(paths[index]) for index in (2, 3, 0, 1)]
        assert [frame.data for frame in reading.frames] == [
            b"file 2 frame 1",
            b"file 2 frame 2",
            b"file 3 frame 1",
            b"file 0 frame 1",
            b"file 0 frame 2",
        ]
        assert [(frame.file, frame.number) for frame in reading.frames] == [
            (0, 1),
            (0, 2),
            (1, 1),
            (2, 1),
            (2, 2),
        ]
        assert [counters.frames for counters in reading.counters] == [2, 1, 2, 0]


def test_ties_go_to_the_earlier_file(tmp_path: Path) -> None:
    """Of frames with the same time, those of the file that comes first in the list come first."""
    paths = write(tmp_path, [[0, 5, 5, 9], [5, 5, 9, 9]])
    assert seen(read(paths).frames) == [
        (0, 0, 1),
        (5, 0, 2),
        (5, 0, 3),
        (5, 1, 1),
        (5, 1, 2),
        (9, 0, 4),
        (9, 1, 3),
        (9, 1, 4),
    ]


def test_order_within_a_file_is_kept(tmp_path: Path) -> None:
    """A file whose clock was set back keeps its order, also where another file's frames go between."""
    paths = write(tmp_path, [[0, 50, 3, 4, 60], [20, 30, 55]])
    assert [(file, number) for _, file, number in seen(read(paths).frames)] == [
        (0, 1),
        (1, 1),
        (1, 2),
        (0, 2),
        (0, 3),
        (0, 4),
        (1, 3),
        (0, 5),
    ]


@pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
def test_any_overlap(compiled: bool) -> None:
    """Any files, blocks and batches: the order is that of a simple merge of whole lists."""

    @settings(max_examples=60, deadline=None)
    @given(
        st.lists(
            st.lists(st.integers(0, 200), max_size=60).map(sorted) | st.lists(st.integers(0, 60)),
            min_size=1,
            max_size=5,
        ),
        st.integers(1, 300),
        st.integers(1, 9),
    )
    def check(folder: Path, times_us: list[list[int]], block_bytes: int, batch_rows: int) -> None:
        by_first = sorted((times for times in times_us if times), key=lambda times: times[0])
        paths = write(folder, by_first)
        if not paths:
            return
        frames = read(paths, compiled, block_bytes=block_bytes, batch_rows=batch_rows).frames
        assert seen(frames) == merged_simply(by_first)
        assert all(f.data == b"file %d frame %d" % (f.file, f.number) for f in frames)

    with TemporaryDirectory() as folder:
        check(Path(folder))


def test_files_that_do_not_overlap_are_read_in_whole_batches(tmp_path: Path) -> None:
    """A recording cut into files gives as few batches as its files need."""
    paths = write(tmp_path, [range(number * 1000, number * 1000 + 1000) for number in range(10)])
    with open_recording([str(path) for path in reversed(paths)]) as recording:
        batches = [(batch.file, batch.first_frame, len(batch.rows)) for batch in recording.batches(False)]
    assert batches == [(file, 1, 1000) for file in range(10)]


def test_more_files_than_may_be_open(tmp_path: Path) -> None:
    """A long set of rotated files needs no more than a few open at once."""
    resource = pytest.importorskip("resource")
    paths = write(tmp_path, [[number * 10, number * 10 + 15] for number in range(200)])
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, limits[1]))
    try:
        reading = read(paths, block_bytes=24)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)
    assert len(reading.frames) == 400
    times = [frame.time_ns for frame in reading.frames]
    assert times == sorted(times)
