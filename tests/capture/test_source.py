"""What can be opened, and the one clear error for everything that cannot."""

from __future__ import annotations

import gzip
import io
import lzma
import os
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from mbsniff.capture import open_recording
from mbsniff.errors import CaptureError, MbsniffError
from tests.capture.craft import notes, pcap, pcap_header, read, read_bytes, section

EXPECTED = "a pcap or pcapng capture, plain or packed with gzip, xz, bzip2 or Zstandard"


def refusal(*paths: Path | str) -> CaptureError:
    """The error that opening the paths raises; it names file, expectation and hint."""
    with pytest.raises(CaptureError) as caught:
        open_recording([str(path) for path in paths])
    error = caught.value
    assert isinstance(error, MbsniffError) and isinstance(error, OSError)
    assert error.hint
    assert str(error).count("\n") == 0
    return error


def refusal_of(folder: Path, content: bytes) -> CaptureError:
    """The same for a file of this content."""
    path = folder / "given.cap"
    path.write_bytes(content)
    error = refusal(path)
    assert error.file == str(path)
    assert error.expected == EXPECTED
    return error


def test_missing_file(tmp_path: Path) -> None:
    """A name that does not exist."""
    error = refusal(tmp_path / "nothing.pcap")
    assert (error.what, error.file) == ("there is no such file", str(tmp_path / "nothing.pcap"))


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that this user may not read."""
    path = tmp_path / "secret.pcap"
    path.write_bytes(pcap([0]))

    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert refusal(path).what == "this user may not read it"


def test_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Something that is no file: the system's own words are passed on."""
    monkeypatch.chdir(tmp_path)
    with socket.socket(socket.AF_UNIX) as made:
        made.bind("recorder")
        assert refusal("recorder").what.startswith("it cannot be opened (")


def test_impossible_name() -> None:
    """A name that no file can have."""
    assert refusal("a\0b").what == "this cannot be a file's name"


def test_no_names() -> None:
    """No file at all."""
    assert refusal().what == "no capture is given"


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "it is empty"),
        (b"\x00", "it is no capture: it begins with the bytes 00"),
        (b"time,device\n1,2\n", 'it is no capture: it begins with the text "time,device"'),
        (
            b"\x7fELF\x02\x01\x01\x00\x00",
            "it is no capture: it begins with the bytes 7f 45 4c 46 02 01 01 00",
        ),
        (b"\n\n\n\n", "it is no capture: it begins with the bytes 0a 0a 0a 0a"),
        (gzip.compress(b"", mtime=0), "this gzip file holds nothing"),
        (
            gzip.compress(b"time,device\n", mtime=0),
            'what is in this gzip file is no capture: it begins with the text "time,device"',
        ),
        (b"\x1f\x8b", "this gzip file holds nothing that can be unpacked (the gzip stream ends too early)"),
        (
            b"\x1f\x8bnothing",
            "this gzip file holds nothing that can be unpacked (the gzip stream is damaged before byte 6)",
        ),
    ],
)
def test_no_capture(tmp_path: Path, content: bytes, what: str) -> None:
    """A file that is no capture: the error says how it begins."""
    assert refusal_of(tmp_path, content).what == what


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (gzip.compress(gzip.compress(pcap([0]), mtime=0), mtime=0), "gzip inside gzip"),
        (gzip.compress(lzma.compress(pcap([0])), mtime=0), "xz inside gzip"),
        (b"PK\x03\x04 and so on", "a ZIP archive"),
    ],
)
def test_otherwise_packed(tmp_path: Path, content: bytes, kind: str) -> None:
    """What is packed in other ways, or twice, is recognised, so that the hint can be to the point."""
    assert refusal_of(tmp_path, content).hint == f"It looks like {kind}: unpack it first."


def test_one_unusable_file_among_several(tmp_path: Path) -> None:
    """One bad file is enough: the error comes before anything is given out."""
    good, bad = tmp_path / "good.pcap", tmp_path / "bad.pcap"
    good.write_bytes(pcap([0]))
    bad.write_bytes(b"no capture")
    assert refusal(good, bad).file == str(bad)


def test_named_twice(tmp_path: Path) -> None:
    """The same file under two names is refused: its frames would count twice."""
    one, other = tmp_path / "one.pcap", tmp_path / "other.pcap"
    one.write_bytes(pcap([0]))
    os.link(one, other)
    assert refusal(one, other).what == f"it is named twice, also as {one}"
    assert refusal(one, one).what == f"it is named twice, also as {one}"


def test_gzip_members(tmp_path: Path) -> None:
    """RFC 1952, section 2.2: a gzip file may have several members; padding with zeros is common practice."""
    content = pcap(range(1000))
    packed = b"".join(gzip.compress(content[at : at + 999]) for at in range(0, len(content), 999))
    for tail in (b"", bytes(1000)):
        reading = read_bytes(tmp_path, packed + tail)
        assert len(reading.frames) == 1000
        assert reading.counters[0].compressed
        assert notes(reading) == []


def test_gzip_followed_by_something_else(tmp_path: Path) -> None:
    """What follows a gzip stream without being one is left out, with a note."""
    reading = read_bytes(tmp_path, gzip.compress(pcap(range(10))) + b"something else")
    assert len(reading.frames) == 10
    (note,) = notes(reading)
    assert note.startswith("the gzip stream is damaged, or followed by something else, before byte ")


def test_gzip_cut_off(tmp_path: Path) -> None:
    """A gzip file cut off anywhere gives the frames before the cut and a note, or a CaptureError."""
    content = pcap(range(40))
    packed = gzip.compress(content, mtime=0)
    whole = read_bytes(tmp_path, content).frames
    most = 0
    for size in range(1, len(packed)):
        try:
            reading = read_bytes(tmp_path, packed[:size])
        except CaptureError:
            assert most == 0
            continue
        assert reading.frames == whole[: len(reading.frames)]
        assert notes(reading)[-1] == "the gzip stream ends too early"
        assert len(reading.frames) >= most
        most = len(reading.frames)
    assert most == 40


def test_damaged_gzip(tmp_path: Path) -> None:
    """Everything before the damage is read, to the byte, and the damage is noted."""
    stored = gzip.compress(pcap(range(5000)), compresslevel=0, mtime=0)  # stored blocks: damage shows late
    checksum = stored[:-8] + bytes([stored[-8] ^ 1]) + stored[-7:]
    reading = read_bytes(tmp_path, checksum)
    assert len(reading.frames) == 5000
    assert notes(reading) == [f"the gzip stream is damaged before byte {len(stored):,}"]
    content = pcap(range(3000))
    packed = bytearray(gzip.compress(content, mtime=0))
    packed[len(packed) // 2] ^= 0xFF
    reading = read_bytes(tmp_path, bytes(packed))
    whole = read_bytes(tmp_path, content).frames
    assert reading.frames[:1000] == whole[:1000]
    assert notes(reading)[-1].startswith("the gzip stream is damaged before byte ")


def test_gzip_of_much_the_same(tmp_path: Path) -> None:
    """A stream that unpacks to a thousand times its size is unpacked a block at a time."""
    content = pcap_header() + bytes(50 << 20)  # records without data
    reading_sizes = []
    path = tmp_path / "zeros.pcap.gz"
    path.write_bytes(gzip.compress(content))
    with open_recording([str(path)]) as recording:
        frames = 0
        for batch in recording.batches(compiled=True):
            frames += len(batch.rows)
            reading_sizes.append(len(batch.data))
    assert frames == (50 << 20) // 16
    assert max(reading_sizes) < 4 << 20


def stand_in(monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))


@pytest.mark.parametrize("content", [pcap([0, 1]), gzip.compress(pcap([0, 1]), mtime=0)])
def test_standard_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    """A hyphen is standard input, plain or packed."""
    stand_in(monkeypatch, content)
    reading = read(["-"])
    assert reading.files == ["-"]
    assert [frame.data for frame in reading.frames] == [b"frame 1", b"frame 2"]


def test_standard_input_of_a_process() -> None:
    """The same with the real standard input, a pipe."""
    code = """if True:
        from mbsniff.capture import open_recording
        with open_recording(["-"]) as recording:
            print(sum(len(batch.rows) for batch in recording.batches(False)), recording.small)
    """
    command = [sys.executable, "-W", "error", "-c", code]
    for frames, small in ((10, True), (200_000, False)):
        result = subprocess.run(command, input=pcap(range(frames)), capture_output=True, check=True)
        assert result.stdout.decode() == f"{frames} {small}\n"


def test_standard_input_among_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard input takes its place in time among files."""
    stand_in(monkeypatch, pcap([5], b"piped"))
    path = tmp_path / "later.pcap"
    path.write_bytes(pcap([10], b"stored"))
    reading = read([path, "-"])
    assert reading.files == ["-", str(path)]
    assert [frame.data for frame in reading.frames] == [b"piped 1", b"stored 1"]


def test_unusable_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors speak of standard input, not of a hyphen."""
    stand_in(monkeypatch, b"no capture")
    error = refusal("-")
    assert (error.file, error.expected) == ("standard input", EXPECTED)
    stand_in(monkeypatch, pcap([0]))
    assert refusal("-", "-").what == "it is named twice, also as -"
    monkeypatch.setattr(sys, "stdin", None)
    assert refusal("-").what == "it is closed"


def test_keyboard(monkeypatch: pytest.MonkeyPatch) -> None:
    """A keyboard is no capture, and waiting for it would look like hanging."""
    stand_in(monkeypatch, b"")
    monkeypatch.setattr(sys.stdin.buffer, "isatty", lambda: True, raising=False)
    assert refusal("-").what == "it is the keyboard"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize("packed", [False, True])
def test_pipe(tmp_path: Path, packed: bool) -> None:
    """A pipe cannot be sought in, and gives its bytes in small pieces."""
    content = pcap(range(20_000))
    path = tmp_path / "pipe"
    os.mkfifo(path)

    def feed() -> None:
        with path.open("wb", buffering=0) as pipe:
            stored = gzip.compress(content) if packed else content
            for at in range(0, len(stored), 3000):
                pipe.write(stored[at : at + 3000])

    feeder = threading.Thread(target=feed)
    feeder.start()
    told: list[tuple[int, int | None]] = []
    with open_recording(
        [str(path)], progress=lambda *args: told.append(args), block_bytes=100_000
    ) as recording:
        frames = sum(len(batch.rows) for batch in recording.batches(compiled=False))
    feeder.join()
    assert frames == 20_000
    assert not recording.small
    assert {total for _, total in told} == {None}


def test_reading_fails_midway(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was read before the device failed is kept, and a note says what happened."""
    path = tmp_path / "failing.pcap"
    content = pcap(range(5000))
    path.write_bytes(content)
    with open_recording([str(path)], block_bytes=20_000) as recording:

        class Failing(io.FileIO):
            def readinto(self, view: Any) -> int:
                if self.tell() >= 60_000:
                    raise OSError(5, "Input/output error")
                return super().readinto(view)

        monkeypatch.setattr(Path, "open", lambda self, *_, **__: Failing(self, "rb"))
        frames = sum(len(batch.rows) for batch in recording.batches(compiled=False))
        assert 0 < frames < 5000
        assert recording.counters[0].frames == frames
        assert recording.counters[0].notes[-1] == "reading failed: Input/output error"


def test_file_replaced_meanwhile(tmp_path: Path) -> None:
    """A file that shrank or vanished after it was opened gives what was read, and a note."""
    path = tmp_path / "rotating.pcap"
    for change in (path.unlink, lambda: os.truncate(path, 30_000)):
        path.write_bytes(pcap(range(5000)))
        with open_recording([str(path)], block_bytes=20_000) as recording:
            change()
            assert 0 < sum(len(batch.rows) for batch in recording.batches(compiled=False)) < 5000
            assert recording.counters[0].notes


def test_first_bytes_of_pcapng_only(tmp_path: Path) -> None:
    """Four bytes decide on the format; the rest is that format's to judge."""
    path = tmp_path / "four.pcapng"
    path.write_bytes(section()[:4])
    assert refusal(path).what == "it ends within its first block, after 4 bytes"
