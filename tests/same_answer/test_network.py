"""What is told of frames beside Modbus does not depend on how a recording is cut, packed, read or delivered."""

from __future__ import annotations

import functools
import itertools
import random
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.builders.beside import CASES, record
from tests.builders.network import of_exchange
from tests.builders.packets import ACK, FIN, RST, SYN, Link, tcp_packet
from tests.builders.plant import BEGINS_NS
from tests.builders.readings import columns, read
from tests.builders.recorder import Record, pcap
from tests.builders.tunnels import TUNNELS
from tests.same_answer.frames import PACK, SAMPLES, pcapng, records_of, written
from tests.same_answer.test_delivery import TAGS, doubled, tagged

NAMES = [f"causes/{name}.pcap.gz" for name in ("address-moved", "spanning-tree-change", "broadcast-storm")]
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
_PARTS = ("network", "hosts", "broadcasts", "events")
_WITH_ETHERNET = (
    "mirror", "mirror with times", "mirror in fragments", "GRE, bridged", "VXLAN over IPv6", "Geneve",
    "backbone", "PRP", "PRP both ways",
)  # fmt: skip


def beside(paths: Sequence[Path] | Path, **how: Any) -> dict[str, Any]:
    """What an exchange tells beside transactions."""
    told = columns(read(paths, **how).exchange)
    return {part: told[part] for part in _PARTS}


@functools.cache
def whole(name: str) -> dict[str, Any]:
    """The same of a sample as it is."""
    return beside(SAMPLES / name)


@pytest.mark.parametrize("name", NAMES)
def test_files_and_blocks(tmp_path: Path, name: str) -> None:
    """Cut into 30 files, packed, as pcapng, read in small blocks, compiled: the same rows to the last number."""
    records = records_of(SAMPLES / name)
    cuts = [0, *sorted(random.Random(name).sample(range(1, len(records)), 29)), len(records)]
    parts = [
        written(tmp_path, records[start:stop], f"{start:05}") for start, stop in itertools.pairwise(cuts)
    ]
    assert beside(parts) == whole(name)
    for pack in PACK.values():
        packed = tmp_path / "night"
        packed.write_bytes(pack(pcap(records)))
        assert beside(packed) == whole(name)
    (tmp_path / "night").write_bytes(pcapng(records, ">", 9))
    assert beside(tmp_path / "night", block_bytes=1000, batch_rows=3) == whole(name)
    assert beside(SAMPLES / name, compiled=True) == whole(name)


@pytest.mark.parametrize("name", NAMES)
def test_doubled_and_tagged(tmp_path: Path, name: str) -> None:
    """Each frame delivered twice, or with tags: the same events; broadcasts count as often as they were delivered."""
    records = records_of(SAMPLES / name)
    bare = [_numberless(event) for event in of_exchange(read(SAMPLES / name).exchange)]
    twice = read(written(tmp_path, doubled(records, 3_000))).exchange
    assert [_numberless(event) for event in of_exchange(twice)] == bare
    counts = {row[0]: 2 * row[1] for row in whole(name)["broadcasts"]}
    assert {row[0]: row[1] for row in twice.broadcasts.tolist()} == counts
    for tags in TAGS.values():
        assert beside(written(tmp_path, tagged(records, tags))) == whole(name)


@pytest.mark.parametrize("tunnel", _WITH_ETHERNET)
def test_tunnels(tmp_path: Path, tunnel: str) -> None:
    """A mirror that comes through a tunnel tells the same, hardware addresses and hop counts within included."""
    name = NAMES[1]
    made = []
    for number, (time_ns, data, _) in enumerate(records_of(SAMPLES / name)):
        made += [(time_ns, frame, len(frame)) for frame in TUNNELS[tunnel].wrap(data, number)]
    found = of_exchange(read(written(tmp_path, made)).exchange)
    bare = of_exchange(read(SAMPLES / name).exchange)
    assert [_numberless(event) for event in found] == [_numberless(event) for event in bare]


def _numberless(event: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in event.items() if key != "frame"}


def _frames() -> dict[str, bytes]:
    frames = {name: record(packet)[1] for name, (packet, _) in CASES.items()}
    ends = ("192.0.2.10", 50_000), ("192.0.2.53", 502)
    flags = {"syn": SYN, "ack": ACK, "fin": FIN | ACK, "rst": RST}
    for number, (name, flag) in enumerate(flags.items()):
        frames[name] = Link().wrap(tcp_packet(*ends, 1000 + number, 2000, flag))
        frames[f"{name} back"] = Link().wrap(tcp_packet(*reversed(ends), 2000, 1000 + number, flag | ACK))
    return frames


FRAMES = _frames()
WAITS_NS = (0, 1000, 5_000_000, 10_000_000, 10_000_001, 400_000_000, 3_000_000_000, -2_000_000_000)


@st.composite
def mixtures(draw: st.DrawFn) -> list[Record]:
    """Frames of every kind in any order, at times that mostly ascend."""
    steps = draw(st.lists(st.tuples(st.sampled_from(sorted(FRAMES)), st.sampled_from(WAITS_NS)), min_size=1))
    now_ns, made = BEGINS_NS, []
    for name, wait_ns in steps:
        now_ns += wait_ns
        made.append((now_ns, FRAMES[name], len(FRAMES[name])))
    return made


@QUICK
@given(mixtures(), st.integers(1, 7), st.booleans())
def test_generated(records: list[Record], rows: int, compiled: bool) -> None:
    """Any mixture, in small blocks or whole, compiled or not: the same rows, in order of time, then frame."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "night"
        path.write_bytes(pcap(records))
        pieces = beside(path, block_bytes=200, batch_rows=rows)
        assert pieces == beside(path, compiled=compiled)
        keys = [(row[1], row[2]) for row in pieces["network"]]
        assert keys == sorted(keys)
