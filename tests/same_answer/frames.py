"""A capture in, its frames out; frames in, captures of any form out; and the answer that must stay the same."""

from __future__ import annotations

import bz2
import functools
import gzip
import lzma
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
import zstandard

from mbsniff.capture import open_recording
from mbsniff.site import Site, load_site
from tests.builders.packets import Link
from tests.builders.readings import read
from tests.builders.recorder import Record, pcap
from tests.capture.craft import enhanced, section, timed_interface

SAMPLES = Path(__file__).parents[2] / "samples"
OPEN = "six units of the open data set"
NAMES = [*sorted(p.name for p in SAMPLES.iterdir() if ".pcap" in p.name), OPEN]
ETHERNET = Link()

PACK: dict[str, Callable[[bytes], bytes]] = {
    "gzip": gzip.compress,
    "xz": lzma.compress,
    "bzip2": bz2.compress,
    "Zstandard": lambda data: zstandard.ZstdCompressor(write_checksum=True).compress(data),
}


def path_of(name: str) -> Path:
    """A sample, or the open capture, without which the test is skipped."""
    if name != OPEN:
        return SAMPLES / name
    folder = os.environ.get("MBSNIFF_OPEN_DATA")
    if not folder:
        pytest.skip("MBSNIFF_OPEN_DATA is not set")
    return Path(folder) / "cset2016-six-units.pcap"


@functools.cache
def site() -> Site:
    """Limits, so that there is something to be found."""
    return load_site(str(SAMPLES / "oven.toml")).with_options(25 * 10**9, None, None)


@functools.cache
def records_of(path: Path) -> tuple[Record, ...]:
    """The frames of an Ethernet capture."""
    found = []
    with open_recording([str(path)]) as recording:
        for batch in recording.batches(False):
            for position, captured, original, time_ns, link in batch.rows.tolist():
                assert link == ETHERNET.number
                data = batch.data[position : position + captured].tobytes()
                found.append((time_ns, data, original))
    return tuple(found)


def answer(paths: Sequence[Path | str] | Path) -> dict[str, Any]:
    """Devices, endpoints and findings, without the frames that findings rest on."""
    made = read(paths if isinstance(paths, Path) else [Path(path) for path in paths], site()).json
    return answer_of(made)


def answer_of(made: dict[str, Any]) -> dict[str, Any]:
    """The same of a diagnosis' JSON."""
    kept: dict[str, Any] = without_places({name: made[name] for name in ("devices", "endpoints", "findings")})
    return kept


def without_places(value: Any) -> Any:
    """A part of the JSON, without the files and frames that it rests on."""
    if isinstance(value, dict):
        return {k: without_places(v) for k, v in value.items() if k not in ("evidence", "file", "frame")}
    return [without_places(entry) for entry in value] if isinstance(value, list) else value


@functools.cache
def answer_of_whole(path: Path) -> dict[str, Any]:
    """The answer that a capture as it is gives."""
    return answer(path)


def written(folder: Path, records: Sequence[Record], name: str = "made.pcap") -> Path:
    """A pcap file of these frames."""
    path = folder / name
    path.write_bytes(pcap(records))
    return path


def pcapng(records: Sequence[Record], order: str, resolution: int, offset_s: int = 0) -> bytes:
    """A pcapng file; times that the resolution cannot hold are rounded up."""
    parts = [section(order), timed_interface(resolution, offset_s, order=order)]
    for time_ns, data, original in records:
        since_ns = time_ns - offset_s * 10**9
        scale = 2 ** (resolution & 127) if resolution & 128 else 10**resolution
        parts.append(enhanced(data, -(-since_ns * scale // 10**9), original=original, order=order))
    return b"".join(parts)
