"""What the samples' frames say beside Modbus, held against what dpkt and scapy read in the same bytes."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import dpkt
import pytest

from tests.builders.network import mac_text, of_exchange
from tests.builders.readings import read
from tests.oracle.network import COPY_NS, by_dpkt, by_scapy, told_by
from tests.same_answer.frames import SAMPLES, records_of

NAMES = sorted(p.relative_to(SAMPLES).as_posix() for p in SAMPLES.rglob("*.pcap*"))
FIN, SYN, RST = dpkt.tcp.TH_FIN, dpkt.tcp.TH_SYN, dpkt.tcp.TH_RST


def compared(event: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in event.items() if value is not None and key != "connection"}


@pytest.mark.parametrize("library", [by_dpkt, by_scapy], ids=["dpkt", "scapy"])
@pytest.mark.parametrize("name", NAMES)
def test_events(name: str, library: Callable[[bytes], Any]) -> None:
    """Look-ups, announcements, echoes, leases and trees: every field as the library reads it."""
    path = SAMPLES / name
    found = [compared(e) for e in of_exchange(read(path).exchange) if e["kind"] != "origin"]
    assert found == told_by(records_of(path), library)


@pytest.mark.parametrize("name", NAMES)
def test_origins(name: str) -> None:
    """Segments that open, end or reset, and each side's first, bear the hardware addresses and hop count of dpkt."""
    expected, heard, seen = [], set(), dict[bytes, int]()
    for number, (time_ns, data, _) in enumerate(records_of(SAMPLES / name)):
        layers = dpkt.ethernet.Ethernet(data)
        tcp = layers.data.data if isinstance(layers.data, dpkt.ip.IP) else None
        if not isinstance(tcp, dpkt.tcp.TCP):
            continue
        side = (layers.data.src, tcp.sport, layers.data.dst, tcp.dport)
        is_copy = time_ns - seen.get(data, -COPY_NS - 1) <= COPY_NS
        seen[data] = time_ns
        if is_copy:
            continue
        if tcp.flags & (SYN | FIN | RST) or side not in heard:
            hops, ends = layers.data.ttl, struct.unpack(">II", layers.data.src + layers.data.dst)
            macs = layers.src.hex(":"), layers.dst.hex(":")
            expected.append((number, *macs, hops, tcp.flags, *ends))
        heard.add(side)
    found = [
        (
            e["frame"],
            e["mac"],
            e["target_mac"],
            e["hops"],
            e["amount"],
            *map(_number, (e["address"], e["target"])),
        )
        for e in of_exchange(read(SAMPLES / name).exchange)
        if e["kind"] == "origin"
    ]
    assert found == expected


def _number(host: str) -> int:
    return int.from_bytes(bytes(map(int, host.split("."))), "big")


@pytest.mark.parametrize("name", NAMES)
def test_broadcasts(name: str) -> None:
    """Frames whose addressee's first bit says "group" (IEEE 802, 8.2.2), counted by second."""
    counts: dict[int, list[str]] = {}
    for time_ns, data, _ in records_of(SAMPLES / name):
        if data[0] & 1:
            counts.setdefault(time_ns // 10**9 * 10**9, []).append(data[6:12].hex(":"))
    found = {row[0]: (row[1], mac_text(row[2])) for row in read(SAMPLES / name).exchange.broadcasts.tolist()}
    assert {second: count for second, (count, _) in found.items()} == {s: len(m) for s, m in counts.items()}
    for second, senders in counts.items():
        most = max(senders, key=senders.count)
        assert senders.count(most) * 2 <= len(senders) or found[second][1] == most


def test_paths() -> None:
    """There are samples to read, those of causes among them."""
    assert len([name for name in NAMES if Path(name).parts[0] == "causes"]) > 25
