"""Copies are one event, floods are counted, and what is rare is kept beside them."""

from __future__ import annotations

import numpy as np
import pytest
from scapy.layers.inet import ICMP, IP
from scapy.layers.l2 import ARP, Dot1Q, Ether

from mbsniff.capture.frames import FrameBatch
from mbsniff.wire.network.rows import R_KIND, RESET_ORIGIN
from mbsniff.wire.network.seen import CREDIT_NS, MOST_ALIKE, ROW_NS
from mbsniff.wire.reader import MessageReader
from tests.builders.network import network_of, short
from tests.builders.packets import MACS, RST, SYN, Link, tcp_packet
from tests.builders.plant import BEGINS_NS
from tests.builders.recorder import Record
from tests.builders.rows import batch_of

PLC, ZONE, STRANGER, ALL = "00:00:5e:00:53:10", "00:00:5e:00:53:53", "00:00:5e:00:53:99", "ff:ff:ff:ff:ff:ff"
ASK = Ether(src=PLC, dst=ALL) / ARP(op=1, hwsrc=PLC, psrc="192.0.2.10", pdst="192.0.2.53")
PING = IP(src="192.0.2.10", dst="192.0.2.53", ttl=64) / ICMP(type=8, id=1, seq=2)
SECOND_NS = 10**9
BEGIN_NS = BEGINS_NS // SECOND_NS * SECOND_NS


def at(seconds: float, data: bytes) -> Record:
    return BEGIN_NS + round(seconds * SECOND_NS), data, len(data)


def syn(port: int, flags: int = SYN) -> bytes:
    client = (f"198.51.100.{port % 250 + 1}", 1024 + port % 60_000)
    return Link().wrap(tcp_packet(client, ("192.0.2.53", 502), port, 0, flags))


def test_mirror_copies() -> None:
    """The same packet within 10 ms counts once, even with another tag, hardware address or hop count."""
    routed = (
        Ether(src=STRANGER, dst=ZONE)
        / IP(src="192.0.2.10", dst="192.0.2.53", ttl=63)
        / ICMP(type=8, id=1, seq=2)
    )
    tagged = Ether(src=PLC, dst=ALL) / Dot1Q(vlan=7) / ASK[ARP]
    records = [
        at(0, bytes(ASK)), at(0.001, bytes(tagged)), at(0.002, bytes(Ether(src=PLC, dst=ZONE) / PING)),
        at(0.003, bytes(routed)), at(0.009, bytes(ASK)), at(0.0101, bytes(ASK)), at(0.5, bytes(ASK)),
    ]  # fmt: skip
    events, _ = network_of(records)
    assert [(e["kind"], e["frame"]) for e in events] == [
        ("lookup-asked", 0), ("echo-asked", 2), ("lookup-asked", 5), ("lookup-asked", 6),
    ]  # fmt: skip


def test_copies_of_segments() -> None:
    """A copied SYN has one origin, that of the first copy."""
    first = syn(1)
    copy = first[:6] + b"\0\0\x5e\0\x53\x77" + first[12:]
    events, _ = network_of([at(0, first), at(0.004, copy), at(1, first)])
    assert [(e["frame"], e["mac"]) for e in events] == [(0, MACS[6:].hex(":")), (2, MACS[6:].hex(":"))]


def test_storm_of_one_frame() -> None:
    """A looping frame gives a few rows a second; another host's look-up amid the storm is kept."""
    other = Ether(src=ZONE, dst=ALL) / ARP(op=1, hwsrc=ZONE, psrc="192.0.2.53", pdst="192.0.2.10")
    storm = [at(k / 2000, bytes(ASK)) for k in range(6000)]
    storm.insert(3000, at(1.5, bytes(other)))
    events, reader = network_of(storm)
    by_plc = [e for e in events if e["mac"] == PLC]
    assert len(by_plc) == 3 * MOST_ALIKE
    assert [short(e) for e in events if e["mac"] == ZONE] == [
        {"kind": "lookup-asked", "mac": ZONE, "address": "192.0.2.53", "target": "192.0.2.10", "amount": 0}
    ]
    plc = int(PLC.replace(":", ""), 16)
    seconds = [[BEGIN_NS + k * SECOND_NS, 2001 if k == 1 else 2000, plc] for k in range(3)]
    assert reader.network.broadcasts.tolist() == seconds
    distinct = 6000 // 21  # one of those within 10 ms counts: at 0, 10.5, 21 ms …
    assert len(by_plc) + reader.counters.network_events_left_out == pytest.approx(distinct, abs=1)


def test_flood_of_attempts() -> None:
    """Of a flood of SYNs some thousand origins are kept, then so many a second; resets do not suffer from it."""
    flood = [at(k / 10_000, syn(k)) for k in range(20_000)]
    flood.append(at(2, syn(5, RST)))
    events, reader = network_of(flood, compiled=True)
    kept = CREDIT_NS // ROW_NS + 2 * SECOND_NS // ROW_NS
    assert len(events) - 1 == pytest.approx(kept, abs=2)
    assert events[-1]["amount"] == RST and events[-1]["frame"] == 20_000
    assert reader.counters.network_events_left_out == 20_001 - len(events)
    assert RESET_ORIGIN not in reader.network.rows[:, R_KIND]


def test_seconds_that_come_again() -> None:
    """Where times go to and fro, each second still has one row; the sender is that of its greatest part."""
    frames = {mac: bytes(Ether(src=mac, dst=ALL) / ASK[ARP]) for mac in (PLC, ZONE, STRANGER)}
    parts = [(0, PLC, 3), (1, ZONE, 2), (0, STRANGER, 5), (1, ZONE, 1), (0, PLC, 1)]
    records = [at(second + 0.1, frames[mac]) for second, mac, count in parts for _ in range(count)]
    _, reader = network_of(records)
    told = [
        (second_ns - BEGIN_NS, count, f"{mac:012x}")
        for second_ns, count, mac in reader.network.broadcasts.tolist()
    ]
    assert told == [(0, 9, STRANGER.replace(":", "")), (SECOND_NS, 3, ZONE.replace(":", ""))]


def test_batches_do_not_matter() -> None:
    """Read frame by frame, or in one batch: the same events and seconds."""
    records = [
        at(k / 97, (bytes(ASK), syn(k), bytes(Ether(src=PLC, dst=ZONE) / PING))[k % 3]) for k in range(900)
    ]
    whole, reader = network_of(records)
    pieces = MessageReader(compiled=False)
    batch = batch_of(records)
    for k in range(len(records)):
        for _ in pieces.feed(FrameBatch(batch.data, batch.rows[k : k + 1].copy(), 0, k + 1), k):
            pass
    assert np.array_equal(pieces.network.rows, reader.network.rows) and len(whole) > 300
    assert np.array_equal(pieces.network.broadcasts, reader.network.broadcasts)
