"""Captures and ordinals in, these frames again: the same bytes and times as at the first reading."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mbsniff.capture import can_be_read_again, frames_again, open_recording
from mbsniff.errors import CaptureError

SAMPLES = Path(__file__).parents[2] / "samples"
SETS = (
    ["healthy-shift.pcap"],
    ["plc-silent.pcapng"],
    ["recipe-terminal.pcapng.gz"],
    ["link-down.pcap", "block-edge.pcap"],
)


def first_reading(paths: list[str]) -> list[tuple[bytes, int, int, int]]:
    """Bytes, length on the wire, time and link type of every frame, in order."""
    found = []
    with open_recording(paths) as recording:
        for batch in recording.batches(compiled=False):
            for at, captured, original, time_ns, link in batch.rows[:, :5].tolist():
                found.append((batch.data[at : at + captured].tobytes(), original, time_ns, link))
    return found


@pytest.mark.parametrize("names", SETS, ids=lambda names: "+".join(names))
def test_the_same_frames_as_before(names: list[str]) -> None:
    """Every 97th frame, the first and the last, asked for in any order and twice, come once, in order, unchanged."""
    paths = [str(SAMPLES / name) for name in names]
    frames = first_reading(paths)
    wanted = sorted({*range(0, len(frames), 97), len(frames) - 1})
    again = list(frames_again(paths, [*reversed(wanted), *wanted]))
    assert [f.ordinal for f in again] == wanted
    assert [(f.data, f.original_bytes, f.time_ns, f.link) for f in again] == [frames[k] for k in wanted]


def test_what_is_not_there_is_left_out() -> None:
    """Ordinals past the end, and none at all, are no error."""
    path = str(SAMPLES / "healthy-shift.pcap")
    assert list(frames_again([path], [10**9])) == []
    assert list(frames_again([path], [])) == []


def test_a_file_that_is_gone(tmp_path: Path) -> None:
    """One that cannot be opened any more is an error that names it."""
    with pytest.raises(CaptureError, match=r"gone\.pcap"):
        list(frames_again([str(tmp_path / "gone.pcap")], [0]))


def test_pipes_are_read_once(tmp_path: Path) -> None:
    """Standard input and named pipes give their bytes only once."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert not can_be_read_again(["-"])
    assert not can_be_read_again([str(SAMPLES / "healthy-shift.pcap"), str(pipe)])
    assert can_be_read_again([str(SAMPLES / "healthy-shift.pcap")])
