"""Disturbed captures, decoded by dpkt: the clean one's frames, doubled or late; and mbsniff counts the same in them."""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import dpkt
import pytest

from tests.benchmarks import disturb as module
from tests.benchmarks.disturb import Disturbance, disturb
from tests.benchmarks.generator import Generated, generate
from tests.benchmarks.template import COPY_US
from tests.benchmarks.test_generator import flow_of, read, small
from tests.builders.readings import read as diagnosed

SHAPE = small(devices=3)
SIX = small(devices=3, ipv6=True)
DOUBLED, LATE, BOTH = Disturbance(double=True), Disturbance(late=0.05), Disturbance(double=True, late=0.05)


@pytest.fixture(autouse=True)
def in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several pieces, though the captures here are small."""
    monkeypatch.setattr(module, "CHUNK_BYTES", 70_001)


def both(folder: Path, disturbance: Disturbance, shape: Any = SHAPE) -> tuple[Generated, Generated]:
    """A clean capture and the disturbed one."""
    clean = generate(folder / "clean.pcap", 400_000, shape)
    return clean, disturb(clean, shape, folder / "disturbed.pcap", disturbance)


@pytest.mark.parametrize("disturbance", [DOUBLED, LATE, BOTH])
def test_same_frames_in_ascending_times(tmp_path: Path, disturbance: Disturbance) -> None:
    """Every frame is there once, or twice; times never go back; the counts given are those of the file."""
    clean, disturbed = both(tmp_path, disturbance)
    before, after = list(read(clean.path)), list(read(disturbed.path))
    copies = 1 + disturbance.double
    assert Counter(f for _, f, _ in after) == Counter([f for _, f, _ in before] * copies)
    times = [time_us for time_us, _, _ in after]
    assert times == sorted(times)
    assert times[::copies] == pytest.approx([time_us for time_us, _, _ in before], abs=COPY_US)
    assert (disturbed.frames, disturbed.transactions) == (len(after), clean.transactions)
    assert disturbed.size_bytes == disturbed.path.stat().st_size


@pytest.mark.parametrize("disturbance", [DOUBLED, BOTH])
def test_a_copy_right_behind_each_frame(tmp_path: Path, disturbance: Disturbance) -> None:
    """Nothing comes between a frame and its copy, which is a few microseconds late."""
    rows = list(read(both(tmp_path, disturbance)[1].path))
    pairs = list(zip(rows[::2], rows[1::2], strict=True))
    assert all(first[1] == copy[1] and 0 <= copy[0] - first[0] <= 2 * COPY_US for first, copy in pairs)
    assert sum(copy[0] - first[0] == COPY_US for first, copy in pairs) > 0.9 * len(pairs)


@pytest.mark.parametrize("shape", [SHAPE, SIX], ids=["IPv4", "IPv6"])
def test_late_segments(tmp_path: Path, shape: Any) -> None:
    """One in twenty comes late, behind one to three of its connection; handshakes stay as they are."""
    clean, disturbed = both(tmp_path, LATE, shape)
    places: list[dict[bytes, tuple[Any, int]]] = []
    for path in (clean.path, disturbed.path):
        seen: dict[Any, int] = defaultdict(int)
        places.append({})
        for _, frame, datagram in read(path):
            connection = frozenset([flow_of(datagram)[:2], flow_of(datagram)[2:]])
            places[-1][frame] = connection, seen[connection]
            seen[connection] += 1
    before, after = places
    moved = {frame: after[frame][1] - place for frame, (_, place) in before.items()}
    assert all(after[frame][0] == connection for frame, (connection, _) in before.items())
    late = [steps for steps in moved.values() if steps > 0]
    assert len(late) == pytest.approx(0.05 * len(moved), rel=0.2)
    assert Counter(late) == Counter(-steps for steps in moved.values() if steps < 0)
    assert set(late) == {1, 2, 3}
    ethernet = dpkt.ethernet.Ethernet
    assert not any(steps and ethernet(f).data.data.flags & dpkt.tcp.TH_SYN for f, steps in moved.items())


def counts(path: Path) -> Any:
    """All that mbsniff counts of the devices, in JSON: whole numbers; times are none, and move loads a little."""
    return _whole(diagnosed(path).json["devices"])


def _whole(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _whole(v) for name, v in value.items() if not name.startswith("busiest")}
    if isinstance(value, list):
        return [_whole(v) for v in value]
    return value if isinstance(value, int) else None


@pytest.mark.parametrize("disturbance", [DOUBLED, LATE, BOTH])
def test_mbsniff_counts_the_same(tmp_path: Path, disturbance: Disturbance) -> None:
    """Requests, replies, faults and polls are as in the clean capture; every copy counts as one."""
    clean, disturbed = both(tmp_path, disturbance)
    wanted = counts(clean.path)
    assert sum(device["requests"] for device in wanted) == clean.transactions
    assert counts(disturbed.path) == wanted
    recording = diagnosed(disturbed.path).json["recording"]
    assert recording["repeated_frames"] == disturbed.frames - clean.frames
    assert recording["unrecorded_bytes"] == 0
