"""Frames that scapy builds, field by field, and what is told of them: ARP, ICMP, ICMPv6, DHCP, DHCPv6, BPDUs."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scapy.layers.dhcp import BOOTP
from scapy.layers.inet import ICMP, IP, UDP
from scapy.layers.l2 import LLC, Dot1Q
from scapy.packet import Packet

from mbsniff.capture.frames import FrameBatch
from mbsniff.wire.network import reader
from mbsniff.wire.reader import MessageReader
from tests.builders.beside import CASES, V4_PLC, V4_ZONE, record
from tests.builders.network import network_of, short
from tests.builders.packets import COOKED, COOKED_2
from tests.builders.plant import BEGINS_NS
from tests.builders.recorder import Record
from tests.builders.rows import batch_of


@pytest.mark.parametrize("case", CASES)
def test_told(case: str) -> None:
    """Each frame gives exactly the events that its fields say."""
    packet, expected = CASES[case]
    events, _ = network_of([record(packet)])
    assert [short(e) for e in events] == expected
    assert {(e["time_ns"], e["frame"]) for e in events} <= {(BEGINS_NS, 0)}


def cooked(packet: Packet, number: int, packet_type: int) -> bytes:
    """The frame below a header of Linux cooked captures, of either version (draft-ietf-opsawg-pcaplinktype)."""
    data = bytes(packet)
    mac = data[6:12] + bytes(2)
    protocol = data[12:14] if data[12] >= 6 else b"\0\4"
    if number == COOKED:
        head = packet_type.to_bytes(2, "big") + b"\0\1\0\6" + mac + protocol
    else:
        head = protocol + bytes(6) + b"\0\1" + bytes([packet_type, 6]) + mac
    return head + data[14:]


@pytest.mark.parametrize("number", [COOKED, COOKED_2])
@pytest.mark.parametrize("case", CASES)
def test_cooked(case: str, number: int) -> None:
    """Below Linux cooked headers the same is told, but for the addressee's hardware address, which they lack."""
    packet, expected = CASES[case]
    if Dot1Q in packet:
        pytest.skip("the recorder took the tag away")
    to_all = bytes(packet)[0] & 1
    data = cooked(packet, number, 1 if to_all else 3)
    events, reader = network_of([(BEGINS_NS, data, len(data))], links=[number])
    lacks = not case.startswith(("it is", "by another")) and not {LLC, BOOTP} & set(packet.layers())
    lacks = lacks and UDP not in packet
    expected = [{k: v for k, v in e.items() if k != "target_mac" or not lacks} for e in expected]
    assert [short(e) for e in events] == expected
    second = [BEGINS_NS // 10**9 * 10**9, 1, mac_of(packet)]
    assert reader.network.broadcasts.tolist() == ([second] if to_all else [])


def mac_of(packet: Packet) -> int:
    return int(packet.src.replace(":", ""), 16)


def test_raw_ip_has_no_hardware_address() -> None:
    """Where the capture has no link header, hardware addresses are unknown; the rest is told."""
    packet = IP(src=V4_PLC, dst=V4_ZONE, ttl=63) / ICMP(type=8, id=1, seq=2)
    events, reader = network_of([(BEGINS_NS, bytes(packet), len(packet))], links=[101])
    expected = {"kind": "echo-asked", "address": V4_PLC, "target": V4_ZONE, "hops": 63, "amount": 0x0001_0002}
    assert [short(e) for e in events] == [expected]
    assert not len(reader.network.broadcasts)


def hostile() -> list[Record]:
    """Each frame cut short at each byte, and with each of its bytes damaged."""
    drawn = random.Random(7)
    made = []
    for packet, _ in CASES.values():
        _, data, _ = record(packet)
        for at in range(len(data)):
            made.append(data[:at])
            made.append(data[:at] + bytes([drawn.choice((0, 255, data[at] ^ 1 << at % 8))]) + data[at + 1 :])
    return [(BEGINS_NS + 200_000_000 * k, data, max(len(data), 60)) for k, data in enumerate(made)]


def test_damaged_frames() -> None:
    """Whatever is cut or damaged: nothing is told of bytes beyond the frame, and most frames still tell something."""
    batch = batch_of(hostile())
    told = []
    for beyond in (0, 255):
        data = np.full_like(batch.data, beyond)
        for position, captured in batch.rows[:, :2].tolist():
            data[position : position + captured] = batch.data[position : position + captured]
        reader = MessageReader(compiled=False)
        for _ in reader.feed(FrameBatch(data, batch.rows, 0, 1), 0):
            pass
        told.append(reader.network.rows)
    assert len(told[0]) > 2000
    assert np.array_equal(told[0], told[1])


def test_kernel_compiled() -> None:
    """The network loop itself tells the same compiled and as it is."""
    records = hostile()
    before, reader.SOON_COMPILED = reader.SOON_COMPILED, -1
    try:
        fast, fast_reader = network_of(records, compiled=True)
    finally:
        reader.SOON_COMPILED = before
    plain, plain_reader = network_of(records)
    assert fast == plain
    assert np.array_equal(fast_reader.network.broadcasts, plain_reader.network.broadcasts)
    assert fast_reader.counters == plain_reader.counters
