"""Captures written and read by scapy and dpkt, which are independent of this project and of each other."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import dpkt
import pytest
from scapy.packet import Raw
from scapy.utils import PcapNgWriter, PcapWriter, RawPcapNgReader, RawPcapReader

from tests.capture.craft import START_S, interface, pcap_header, read, record, section, timed_interface
from tests.capture.craft import enhanced as enhanced_block

BOTH = pytest.mark.parametrize("compiled", [False, True], ids=["uncompiled", "compiled"])
PAYLOADS = [bytes(range(size)) for size in (0, 1, 2, 3, 4, 59, 60, 61, 255)]
# Quarters of a second are exact as floats.
TIMES_S = [START_S + number / 4 for number in range(len(PAYLOADS))]
EXPECTED = [
    (data, len(data), int(time_s * 4) * 250_000_000) for data, time_s in zip(PAYLOADS, TIMES_S, strict=True)
]


def seen(path: Path, compiled: bool) -> list[tuple[bytes, int, int]]:
    return [(frame.data, frame.original, frame.time_ns) for frame in read([path], compiled).frames]


@BOTH
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nano", [False, True])
@pytest.mark.parametrize("packed", [False, True])
def test_pcap_from_scapy(tmp_path: Path, order: str, nano: bool, packed: bool, compiled: bool) -> None:
    """What scapy's pcap writer wrote is read as it was given to it."""
    path = tmp_path / "scapy.pcap"
    with PcapWriter(str(path), linktype=1, endianness=order, nano=nano, gz=packed) as writer:
        writer.write_header(None)
        for data, time_s in zip(PAYLOADS, TIMES_S, strict=True):
            fraction = round(time_s % 1 * (10**9 if nano else 10**6))
            writer.write_packet(data, sec=int(time_s), usec=fraction, caplen=len(data), wirelen=len(data))
    assert seen(path, compiled) == EXPECTED
    assert read([path]).counters[0].compressed == packed


@BOTH
def test_pcapng_from_scapy(tmp_path: Path, compiled: bool) -> None:
    """What scapy's pcapng writer wrote, with an interface and options per packet, is read as it was given."""
    path = tmp_path / "scapy.pcapng"
    with PcapNgWriter(str(path)) as writer:
        for data, time_s in zip(PAYLOADS, TIMES_S, strict=True):
            packet = Raw(data)
            packet.time = time_s
            packet.comment = b"zone 3"
            packet.sniffed_on = f"port {len(data) % 2}"
            writer.write(packet)
    assert seen(path, compiled) == EXPECTED


@BOTH
@pytest.mark.parametrize("nano", [False, True])
def test_pcap_from_dpkt(tmp_path: Path, nano: bool, compiled: bool) -> None:
    """What dpkt's pcap writer wrote is read as it was given to it."""
    path = tmp_path / "dpkt.pcap"
    with path.open("wb") as file:
        dpkt.pcap.Writer(file, nano=nano).writepkts(zip(TIMES_S, PAYLOADS, strict=True))
    assert seen(path, compiled) == EXPECTED


@BOTH
def test_pcapng_from_dpkt(tmp_path: Path, compiled: bool) -> None:
    """What dpkt's pcapng writer wrote, with two interfaces, is read as it was given to it."""
    path = tmp_path / "dpkt.pcapng"
    blocks = dpkt.pcapng
    interfaces = [blocks.InterfaceDescriptionBlockLE(linktype=link) for link in (1, 101)]
    with path.open("wb") as file:
        writer = blocks.Writer(file, idb=interfaces)
        for index, (data, time_s) in enumerate(zip(PAYLOADS, TIMES_S, strict=True)):
            size = len(data)
            packet = blocks.EnhancedPacketBlockLE(
                iface_id=index % 2, caplen=size, pkt_len=size, pkt_data=data
            )
            packet.opts = [
                blocks.PcapngOptionLE(code=blocks.PCAPNG_OPT_COMMENT, text="zone 3"),
                blocks.PcapngOptionLE(code=blocks.PCAPNG_OPT_ENDOFOPT),
            ]
            writer.writepkt(packet, ts=time_s)
    assert seen(path, compiled) == EXPECTED
    assert [frame.link for frame in read([path]).frames] == [
        (1, 101)[index % 2] for index in range(len(PAYLOADS))
    ]


@BOTH
@pytest.mark.parametrize("order", ["<", ">"])
def test_same_as_scapys_pcap_reader(tmp_path: Path, order: str, compiled: bool) -> None:
    """Scapy's reader finds the same frames, lengths and times in a file made by hand."""
    path = tmp_path / "hand.pcap"
    records = [record(data, START_S + len(data), 7 * len(data), 2 * len(data), order) for data in PAYLOADS]
    path.write_bytes(pcap_header(order) + b"".join(records))
    with RawPcapReader(str(path)) as reader:
        expected = [(data, meta.wirelen, meta.sec * 10**9 + meta.usec * 1000) for data, meta in reader]
    assert seen(path, compiled) == expected
    assert len(expected) == len(PAYLOADS)


@BOTH
@pytest.mark.parametrize("resolution", [3, 6, 9])
def test_same_as_scapys_pcapng_reader(tmp_path: Path, resolution: int, compiled: bool) -> None:
    """Scapy's reader finds the same frames, lengths, times and link types in sections made by hand."""
    path = tmp_path / "hand.pcapng"
    ticks = START_S * 10**resolution
    content = b"".join(
        section(order)
        + timed_interface(resolution, 0, 101, order)
        + b"".join(
            enhanced_block(data, ticks + 3 * len(data), 0, 2 * len(data), order=order) for data in PAYLOADS
        )
        for order in "<>"
    )
    path.write_bytes(content)
    expected: list[Any] = []
    with RawPcapNgReader(str(path)) as reader:
        for data, meta in reader:
            time_ns = (meta.tshigh << 32 | meta.tslow) * 10**9 // meta.tsresol
            expected.append((data, meta.wirelen, time_ns, meta.linktype))
    frames = read([path], compiled).frames
    assert [(frame.data, frame.original, frame.time_ns, frame.link) for frame in frames] == expected
    assert len(expected) == 2 * len(PAYLOADS)


@BOTH
def test_same_as_dpkts_pcapng_reader(tmp_path: Path, compiled: bool) -> None:
    """dpkt's reader finds the same frames and (float) times, with an offset of the interface's clock."""
    path = tmp_path / "hand.pcapng.gz"
    blocks = [enhanced_block(data, START_S * 10**3 + len(data)) for data in PAYLOADS]
    content = section() + timed_interface(3, 3600) + b"".join(blocks) + interface()
    path.write_bytes(gzip.compress(content))
    with gzip.open(path) as file:
        expected = list(dpkt.pcapng.Reader(file))
    frames = read([path], compiled).frames
    assert [frame.data for frame in frames] == [data for _, data in expected]
    assert [frame.time_ns / 1e9 for frame in frames] == pytest.approx(
        [time_s for time_s, _ in expected], abs=1e-6
    )
