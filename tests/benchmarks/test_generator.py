"""Generated captures, decoded by dpkt: what the benchmark measures on is right traffic."""

from __future__ import annotations

import struct
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import dpkt
import numpy as np
import pytest

from tests.benchmarks.generator import generate
from tests.benchmarks.shape import MODBUS_PORT, Shape, parse_bytes


def small(**options: Any) -> Shape:
    """A shape whose order repeats early, which is faster to make."""
    return Shape(**{"template_frames": 3_000, **options})


SHAPES = {
    "plain": Shape(devices=3),
    "two frames": small(devices=3, frames_per_transaction=2),
    "four frames": small(devices=3, frames_per_transaction=4),
    "IPv6": small(devices=3, ipv6=True),
    "shuffled": small(devices=3, shuffle=0.2, frames_per_transaction=4),
    "many connections": small(devices=150, random_order=True, masters=1),
}
every_shape = pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())

Row = tuple[int, bytes, dpkt.ip.IP]  # time in µs, the whole frame, its datagram


def read(path: Path) -> Iterator[Row]:
    """All frames of a file."""
    with path.open("rb") as file:
        for time_s, frame in dpkt.pcap.Reader(file):
            yield round(time_s * 1_000_000), frame, dpkt.ethernet.Ethernet(frame).data


def made(tmp_path: Path, shape: Shape, size_bytes: int = 500_000) -> list[Row]:
    """The frames of a capture of that shape."""
    path = tmp_path / "made.pcap"
    generate(path, size_bytes, shape)
    return list(read(path))


def flow_of(datagram: dpkt.ip.IP) -> tuple[bytes, int, bytes, int]:
    """Source and destination, each address and port."""
    return datagram.src, datagram.data.sport, datagram.dst, datagram.data.dport


def folded(data: bytes) -> int:
    """RFC 1071's one's complement sum of 16-bit words."""
    total: int = sum(struct.unpack(f">{len(data) // 2}H", data[: len(data) & ~1])) + (data[-1] << 8) * (
        len(data) & 1
    )
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total


@every_shape
def test_lengths_and_checksums(tmp_path: Path, shape: Shape) -> None:
    """IP totals fit the frame (short ones padded to IEEE 802.3's 60 bytes); RFC 1071 sums are all ones."""
    for _, frame, datagram in made(tmp_path, shape, 300_000):
        if shape.ipv6:
            total, header = 40 + datagram.plen, b""
        else:
            total, header = datagram.len, bytes(datagram)[:20]
            assert folded(header) == 0xFFFF
        assert len(frame) == max(60, 14 + total)
        segment = frame[14 + (40 if shape.ipv6 else 20) : 14 + total]
        pseudo = datagram.src + datagram.dst + struct.pack(">HH", 6, len(segment))
        assert folded(pseudo + segment) == 0xFFFF


@every_shape
def test_sequence_numbers(tmp_path: Path, shape: Shape) -> None:
    """After the handshake each flow's bytes follow each other modulo 2**32, and acknowledge the peer's."""
    due: dict[tuple[bytes, int, bytes, int], int] = {}
    ahead: dict[tuple[bytes, int, bytes, int], list[int]] = defaultdict(list)
    for _, _, datagram in made(tmp_path, shape):
        tcp, flow = datagram.data, flow_of(datagram)
        back = flow[2:] + flow[:2]
        if tcp.flags & dpkt.tcp.TH_SYN:
            assert flow not in due and tcp.ack == (due[back] if tcp.flags & dpkt.tcp.TH_ACK else 0)
            due[flow] = (tcp.seq + 1) % 2**32
        elif tcp.seq != due[flow]:  # the second half of a reply comes first
            assert shape.shuffle and not ahead[flow]
            ahead[flow] = [tcp.seq, len(tcp.data)]
        else:
            assert tcp.ack == due[back]
            due[flow] = (tcp.seq + len(tcp.data)) % 2**32
            if tcp.data and ahead[flow]:
                assert ahead[flow][0] == due[flow]
                due[flow] = (due[flow] + ahead[flow][1]) % 2**32
                ahead[flow] = []


def test_sequence_numbers_wrap(tmp_path: Path) -> None:
    """Both directions of the first connection pass 2**32 within the first hundred transactions."""
    wrapped = set()
    for _, _, datagram in made(tmp_path, small(devices=1, masters=1), 100_000):
        if datagram.data.seq < 100_000:
            wrapped.add(datagram.data.sport == MODBUS_PORT)
    assert wrapped == {True, False}


@pytest.mark.parametrize("name", ["plain", "two frames", "four frames", "IPv6", "many connections"])
def test_modbus_messages(tmp_path: Path, name: str) -> None:
    """MBAP lengths fit, identifiers count up, and each reply fits its request (AP V1.1b3 6.3, 6.6, 6.12)."""
    asked: dict[tuple[bytes, int, bytes, int], bytes] = {}
    functions: dict[int, int] = defaultdict(int)
    for _, _, datagram in made(tmp_path, SHAPES[name]):
        message, flow = datagram.data.data, flow_of(datagram)
        if not message:
            continue
        transaction, protocol, length, _, function = struct.unpack(">HHHBB", message[:8])
        assert protocol == 0 and length == len(message) - 6
        if datagram.data.dport == MODBUS_PORT:
            before = struct.unpack(">H", asked[flow][:2])[0] if flow in asked else 0
            assert transaction == before + 1
            asked[flow] = message
            functions[function] += 1
            continue
        request = asked[flow[2:] + flow[:2]]
        assert message[:4] == request[:4] and message[7] == request[7]
        if function == 3:
            quantity = struct.unpack(">H", request[10:12])[0]
            assert message[8] == 2 * quantity and len(message) == 9 + 2 * quantity
        else:
            assert message[8:] == request[8:12]
            assert function == 6 or (request[12] == 2 * request[11] and len(request) == 13 + request[12])
    assert set(functions) == {3, 6, 16} and functions[3] > functions[6] > 0


def test_written_values_differ_each_time(tmp_path: Path) -> None:
    """No device gets the same value twice running, so that writes look as on a plant that runs."""
    last: dict[tuple[object, ...], bytes] = {}
    for _, _, datagram in made(tmp_path, SHAPES["plain"]):
        message = datagram.data.data
        if datagram.data.dport == MODBUS_PORT and message and message[7] in (6, 16):
            key, value = (*flow_of(datagram), message[7]), message[10 if message[7] == 6 else 13 :][:2]
            assert last.get(key) != value
            last[key] = value
    assert last


@every_shape
def test_frames_a_transaction(tmp_path: Path, shape: Shape) -> None:
    """Each transaction has as many frames as asked for; a shuffled reply has one more."""
    rows = made(tmp_path, shape)[3 * shape.connections :]
    requests = sum(d.data.dport == MODBUS_PORT and len(d.data.data) > 0 for _, _, d in rows)
    per_transaction = len(rows) / requests
    assert per_transaction == pytest.approx(
        shape.frames_per_transaction + shape.shuffle, abs=0.05 + shape.shuffle / 4
    )


@every_shape
def test_times(tmp_path: Path, shape: Shape) -> None:
    """Times never go back, each connection is polled once a cycle, and intervals vary."""
    times = defaultdict(list)
    previous = 0
    for time_us, _, datagram in made(tmp_path, shape):
        assert time_us >= previous
        previous = time_us
        if datagram.data.dport == MODBUS_PORT and datagram.data.data:
            times[flow_of(datagram)].append(time_us)
    assert len(times) == shape.connections
    intervals = np.concatenate([np.diff(t) for t in times.values()])
    assert len(np.unique(intervals)) > len(intervals) // 20
    assert abs(intervals - shape.cycle_us).max() < (0.51 if shape.random_order else 0.02) * shape.cycle_us


def test_doubled(tmp_path: Path) -> None:
    """With ``double`` every frame is followed by an identical copy; the rest is as without."""
    once = made(tmp_path, small(devices=3), 200_000)
    twice = made(tmp_path, small(devices=3, double=True), 400_000)
    assert [f for _, f, _ in twice[0::2]][: len(once)] == [f for _, f, _ in once][: len(twice[0::2])]
    assert [f for _, f, _ in twice[1::2]] == [f for _, f, _ in twice[0::2]][: len(twice[1::2])]
    assert all(0 <= copy[0] - first[0] < 10 for first, copy in zip(twice[0::2], twice[1::2], strict=False))


def test_counts_and_size(tmp_path: Path) -> None:
    """The counts are those of the file, which is at most as large as asked for and hardly smaller."""
    for double in (False, True):
        result = generate(tmp_path / "a.pcap", 123_456, small(devices=2, double=double))
        rows = list(read(result.path))
        assert (
            result.path.stat().st_size == result.size_bytes and 123_456 - 300 < result.size_bytes <= 123_456
        )
        requests = sum(d.data.dport == MODBUS_PORT and len(d.data.data) > 0 for _, _, d in rows)
        assert (result.frames, result.transactions) == (len(rows), requests // (1 + double))


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    """A seed decides everything, and a smaller capture is the beginning of a larger one."""
    files = {}
    for name, size_bytes, seed in (
        ("a", 300_000, 1),
        ("b", 300_000, 1),
        ("c", 200_000, 1),
        ("d", 300_000, 2),
    ):
        generate(tmp_path / name, size_bytes, small(devices=3, seed=seed))
        files[name] = (tmp_path / name).read_bytes()
    assert files["a"] == files["b"] != files["d"]
    assert files["a"].startswith(files["c"])


def test_parse_bytes() -> None:
    """Sizes are decimal; anything else is refused."""
    assert [parse_bytes(t) for t in ("1GB", "1.5MB", "20k", "7")] == [10**9, 1_500_000, 20_000, 7]
    with pytest.raises(ValueError, match="no size"):
        parse_bytes("1 parsec")
