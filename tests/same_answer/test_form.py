"""How a recording is stored or delivered does not change what it says."""

from __future__ import annotations

import io
import random
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.builders.readings import read
from tests.same_answer.frames import (
    NAMES,
    PACK,
    answer,
    answer_of_whole,
    path_of,
    pcapng,
    records_of,
    site,
    written,
)

EXACT = {  # resolutions that hold every nanosecond, and an offset with which they do so
    "10^-9": (9, 0),
    "10^-10": (10, 0),
    "10^-12": (12, 1_795_000_000),
    "2^-30": (128 | 30, 0),
    "2^-33": (128 | 33, 0),
    "2^-40": (128 | 40, 1_795_000_000),
}
COARSE = {"10^-4": (4, 10**5), "2^-13": (128 | 13, 10**9 // 2**13 + 1)}


@pytest.mark.parametrize("pieces", [2, 100])
@pytest.mark.parametrize("name", NAMES)
def test_cut_into_files(tmp_path: Path, name: str, pieces: int) -> None:
    """Cut anywhere, into up to 100 files whose names tell nothing, given as a folder."""
    records = records_of(path_of(name))
    drawn = random.Random(f"{name} {pieces}")
    cuts = [0, *sorted(drawn.sample(range(1, len(records)), pieces - 1)), len(records)]
    names = drawn.sample(range(1000), pieces)
    for number, start, stop in zip(names, cuts, cuts[1:], strict=False):
        written(tmp_path, records[start:stop], f"{number}.pcap")
    assert answer([tmp_path]) == answer_of_whole(path_of(name))


@pytest.mark.parametrize("way", PACK)
@pytest.mark.parametrize("name", ["link-down.pcap", "plc-silent.pcapng"])
def test_packed(tmp_path: Path, name: str, way: str) -> None:
    """Packed each way, as one member and as several, under a name that does not tell."""
    content = path_of(name).read_bytes()
    at = len(content) // 3
    for packed in (PACK[way](content), PACK[way](content[:at]) + PACK[way](content[at:])):
        path = tmp_path / "night"
        path.write_bytes(packed)
        assert answer(path) == answer_of_whole(path_of(name))


@pytest.mark.parametrize("order", ["<", ">"], ids=["little endian", "big endian"])
@pytest.mark.parametrize("resolution", EXACT)
def test_pcapng_of_any_resolution(tmp_path: Path, resolution: str, order: str) -> None:
    """As pcapng of either byte order, with any resolution that holds nanoseconds."""
    whole = path_of("link-down.pcap")
    path = tmp_path / "made.pcapng"
    path.write_bytes(pcapng(records_of(whole), order, *EXACT[resolution]))
    assert answer(path) == answer_of_whole(whole)


@pytest.mark.parametrize("resolution", COARSE)
def test_pcapng_of_coarse_resolution(tmp_path: Path, resolution: str) -> None:
    """With a resolution that holds less: the same counts, and silences within the rounding."""
    whole = path_of("link-down.pcap")
    code, tick_ns = COARSE[resolution]
    path = tmp_path / "made.pcapng"
    path.write_bytes(pcapng(records_of(whole), "<", code))
    found = {device["device"]: device for device in answer(path)["devices"]}
    for device in answer_of_whole(whole)["devices"]:
        other = found.pop(device["device"])
        for key in (
            "requests",
            "answered",
            "unanswered",
            "functions",
            "block_sizes",
            "state",
            "watchdog_due",
        ):
            assert other[key] == device[key]
        near = pytest.approx(device["longest_silence_s"], abs=2 * tick_ns / 1e9)
        assert other["longest_silence_s"] == near
    assert found == {}


class Trickle(io.RawIOBase):
    """An input that gives a few bytes at a time, as a slow pipe does."""

    def __init__(self, content: bytes, most: int) -> None:
        self._content, self._most, self._drawn = io.BytesIO(content), most, random.Random(most)

    def readable(self) -> bool:
        return True

    def readinto(self, view: Any) -> int:
        return self._content.readinto(memoryview(view)[: self._drawn.randint(1, self._most)])


@pytest.mark.parametrize("way", [None, *PACK])
def test_standard_input_in_tiny_pieces(monkeypatch: pytest.MonkeyPatch, way: str | None) -> None:
    """From standard input, a few bytes at a time, plain or packed."""
    whole = path_of("plc-silent.pcapng")
    content = whole.read_bytes()
    trickle = Trickle(PACK[way](content) if way else content, 40)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BufferedReader(trickle)))
    assert answer(["-"]) == answer_of_whole(whole)


def test_small_blocks_and_batches() -> None:
    """Read in blocks and batches of any size."""
    whole = path_of("block-edge.pcap")
    for block_bytes, batch_rows in ((700, 1), (9999, 17), (1 << 20, 1 << 16)):
        made = read(whole, site(), block_bytes=block_bytes, batch_rows=batch_rows).json
        kept = {key: made[key] for key in ("devices", "endpoints")}
        assert kept == {key: answer_of_whole(whole)[key] for key in kept}
