"""Folders and patterns: which files they stand for, which are left out, and the one error where nothing is left."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.errors import CaptureError
from tests.capture.craft import pcap, read


def refused(*names: Path | str) -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        open_recording([str(name) for name in names])
    assert caught.value.hint
    return caught.value


def skipped(*names: Path | str) -> dict[str, str]:
    """What is left out of the names, and why."""
    with open_recording([str(name) for name in names]) as recording:
        return {Path(one.file).name: one.why for one in recording.skipped}


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A folder of three captures, whose names tell nothing of their order, and of other things."""
    folder = tmp_path / "night"
    (folder / "older").mkdir(parents=True)
    for name, times in (("b", [0, 1]), ("c", [4, 5]), ("a", [8, 9])):
        (folder / f"{name}.cap").write_bytes(pcap(times, name.encode()))
    (folder / "older" / "d.cap").write_bytes(pcap([20], b"d"))
    (folder / "notes.txt").write_text("the oven tripped at two")
    (folder / "new.cap").write_bytes(b"")
    (folder / ".hidden.cap").write_bytes(pcap([30], b"hidden"))
    return folder


def test_folder(night: Path) -> None:
    """The captures in a folder, in time order; the rest is named with the reason."""
    assert [frame.data for frame in read([night]).frames] == [b"b 1", b"b 2", b"c 1", b"c 2", b"a 1", b"a 2"]
    assert skipped(night) == {
        "older": "it is a folder",
        "notes.txt": 'it is no capture: it begins with the text "the oven tripped at two"',
        "new.cap": "it is empty",
    }


def test_pattern(night: Path) -> None:
    """A pattern that the shell has left alone; two asterisks reach into folders."""
    assert [frame.data for frame in read([night / "[ab].c?p"]).frames] == [b"b 1", b"b 2", b"a 1", b"a 2"]
    assert [frame.data for frame in read([night / "**" / "d.cap"]).frames] == [b"d 1"]
    assert len(read([night / "**"]).frames) == 7
    assert len(read([night.parent / "ni*"]).frames) == 6


def test_a_file_named_like_a_pattern(tmp_path: Path) -> None:
    """A file of just that name comes before what the name would match."""
    (tmp_path / "zone[1].cap").write_bytes(pcap([0]))
    (tmp_path / "zone1.cap").write_bytes(pcap([0, 1]))
    assert len(read([tmp_path / "zone[1].cap"]).frames) == 1


def test_each_file_once(night: Path) -> None:
    """What folder and pattern both bring, or folder and name, is read once; a link to a capture is left out."""
    assert len(read([night, night / "*.cap", night / "a.cap"]).frames) == 6
    (night / "latest.cap").symlink_to(night / "a.cap")
    assert skipped(night)["latest.cap"] == f"it is named twice, also as {night / 'a.cap'}"
    assert refused(night / "a.cap", night / "a.cap").what == f"it is named twice, also as {night / 'a.cap'}"


def test_nothing_to_read(tmp_path: Path, night: Path) -> None:
    """An empty folder, a pattern without match, a folder without capture: one clear error each."""
    (tmp_path / "empty").mkdir()
    assert refused(tmp_path / "empty").what == "there is no file in this folder"
    assert refused(night / "*.pcapng").what == "no file matches this pattern"
    error = refused(night / "n*")
    assert error.what.startswith("none of the 2 files is a capture (")
    assert refused(night / "*.txt").what.startswith("the one file is no capture (")
    assert error.file == str(night / "n*")


def test_what_was_named_must_be_a_capture(night: Path) -> None:
    """A file that the user names himself is not left out."""
    assert refused(night / "a.cap", night / "notes.txt").file == str(night / "notes.txt")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_pipes_in_folders(night: Path) -> None:
    """A pipe in a folder is not waited for."""
    os.mkfifo(night / "pipe")
    assert skipped(night)["pipe"] == "it is no file"


def test_folder_that_cannot_be_read(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that this user may not look into."""

    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    assert refused(night).what == "this folder cannot be looked into (Permission denied)"


def test_many_files_take_little_memory(tmp_path: Path) -> None:
    """Files whose turn has not come hold no buffer, and files that are gone when it comes are told."""
    for number in range(60):
        (tmp_path / f"{number:03}.cap").write_bytes(pcap(range(number * 10**4, number * 10**4 + 3000)))
    with open_recording([str(tmp_path)], block_bytes=1 << 16) as recording:
        waiting = sum(len(reader.window.data) for reader in recording._readers)
        assert waiting < 4 << 20
        (tmp_path / "30.cap".zfill(7)).unlink()
        frames = sum(len(batch.rows) for batch in recording.batches(compiled=False))
    assert frames == 59 * 3000
    gone = recording.counters[30]
    assert (gone.frames, gone.notes) == (0, ["when its turn came, there is no such file"])
