"""The recording as a whole: what it says before, while and after it is read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.capture.recording import BLOCK_BYTES
from tests.capture.craft import pcap, pcap_header, record


def write(path: Path, content: bytes) -> str:
    path.write_bytes(content)
    return str(path)


def test_import_is_light() -> None:
    """Importing the folder imports neither the compiler nor pandas nor scapy."""
    code = "import sys, mbsniff.capture; print([m for m in ('numba', 'pandas', 'scapy') if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout == "[]\n"


def test_small(tmp_path: Path) -> None:
    """Small is what ended within the first block, for all files together."""
    made = record(bytes(984))
    size = BLOCK_BYTES // len(made) * len(made)
    fits = write(tmp_path / "fits.pcap", pcap_header() + made * ((BLOCK_BYTES - 25) // len(made)))
    exceeds = write(tmp_path / "exceeds.pcap", pcap_header() + made * (size // len(made) + 1))
    tiny = write(tmp_path / "tiny.pcap", pcap([0]))
    half = write(tmp_path / "half.pcap", pcap_header() + made * (size // len(made) // 2 + 1))
    other_half = write(tmp_path / "other.pcap", pcap_header() + made * (size // len(made) // 2 + 1))
    assert BLOCK_BYTES >= 1_500_000
    for paths, small in [
        ([fits], True),
        ([exceeds], False),
        ([tiny, half], True),
        ([exceeds, tiny], False),
        ([tiny, exceeds], False),
        ([half, other_half], False),
    ]:
        with open_recording(paths) as recording:
            assert recording.small is small


def test_frames_do_not_depend_on_small(tmp_path: Path) -> None:
    """Whichever way is chosen, all frames come, the ones read ahead included."""
    path = write(tmp_path / "some.pcap", pcap_header() + record(bytes(984)) * 4000)
    for compiled in (False, True):
        with open_recording([path]) as recording:
            assert sum(len(batch.rows) for batch in recording.batches(compiled)) == 4000


def test_progress(tmp_path: Path) -> None:
    """Progress tells bytes read, growing, of the files' size."""
    paths = [write(tmp_path / f"{n}.pcap", pcap(range(n * 5000, n * 5000 + 5000))) for n in range(3)]
    size = sum(Path(path).stat().st_size for path in paths)
    told: list[tuple[int, int | None]] = []
    with open_recording(paths, progress=lambda *args: told.append(args), block_bytes=10_000) as recording:
        assert recording.total_bytes == size
        for _ in recording.batches(compiled=False):
            pass
    assert told == sorted(told)
    assert told[-1] == (size, size)
    assert len(told) > 10


def test_counters_grow_while_reading(tmp_path: Path) -> None:
    """Counters can be asked for at any time."""
    path = write(tmp_path / "some.pcap", pcap(range(100)))
    with open_recording([path], batch_rows=10) as recording:
        frames = [recording.counters[0].frames for _ in recording.batches(compiled=False)]
    assert frames == list(range(10, 101, 10))


def test_read_once(tmp_path: Path) -> None:
    """A recording that may be a pipe is read once."""
    with open_recording([write(tmp_path / "some.pcap", pcap([0]))]) as recording:
        list(recording.batches(compiled=False))
        with pytest.raises(ValueError, match="read once"):
            recording.batches(compiled=False)


def test_left_early(tmp_path: Path) -> None:
    """Files are closed when reading is broken off (an unclosed one would be a warning, and so an error)."""
    path = write(tmp_path / "some.pcap", pcap(range(5000)))
    with open_recording([path], block_bytes=1000) as recording:
        for batch in recording.batches(compiled=False):
            assert batch.first_frame == 1
            break
    open_recording([path], block_bytes=1000)
