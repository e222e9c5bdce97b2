"""Where TCP begins and ends below IP: packets built by scapy, with options, extensions, fragments, lies."""

from typing import Any

import pytest
from scapy.layers.inet import IP, TCP, IPOption_Router_Alert
from scapy.layers.inet6 import (
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
)
from scapy.layers.ipsec import AH
from scapy.packet import Packet, Raw

from tests.builders.adus import adu
from tests.builders.packets import RAW
from tests.builders.plant import BEGINS_NS
from tests.builders.rows import Rows, rows_of

READ = adu(7, 1, bytes.fromhex("0300000001"))
V4, V6 = {"src": "192.0.2.10", "dst": "192.0.2.50"}, {"src": "2001:db8::10", "dst": "2001:db8::50"}


def segment(**fields: Any) -> Packet:
    return TCP(sport=49152, dport=502, flags="PA", seq=1, ack=1, **fields) / Raw(READ)


def read(packet: Packet | bytes, kept: int | None = None, padding: bytes = b"") -> Rows:
    data = bytes(packet) + padding
    return rows_of([(BEGINS_NS, data[:kept], len(data))], links=[RAW])


@pytest.mark.parametrize(
    "packet",
    [
        IP(**V4) / segment(),
        IP(**V4, options=[IPOption_Router_Alert()]) / segment(),
        IP(**V4) / segment(options=[("Timestamp", (1, 2)), ("NOP", None), ("NOP", None)]),
        IPv6(**V6) / segment(),
        IPv6(**V6) / IPv6ExtHdrHopByHop() / segment(),
        IPv6(**V6) / IPv6ExtHdrRouting(addresses=["2001:db8::60"]) / segment(),
        IPv6(**V6) / IPv6ExtHdrHopByHop() / IPv6ExtHdrDestOpt() / segment(),
        IPv6(**V6) / IPv6ExtHdrFragment(offset=0, m=0) / segment(),
        IPv6(**V6) / AH(nh=6, payloadlen=4, spi=1, icv=b"\x01" * 12) / segment(),
    ],
    ids=lambda packet: packet.summary().split(" 2001")[0].split(" 192")[0],
)
@pytest.mark.parametrize("padding", [b"", b"\xff" * 9])
def test_headers_of_any_length(packet: Packet, padding: bytes) -> None:
    """Options and extension headers are stepped over; what follows IP's own length is padding.

    RFC 791, 3.1; RFC 8200, 4; RFC 4302, 2.2; RFC 6946 (a fragment header without fragments).
    """
    rows = read(packet, padding=padding)
    assert rows.messages == [("request", 7)]
    assert rows.counters.skipped_bytes == 0


@pytest.mark.parametrize("packet", [IP(**V4, len=0) / segment(), IPv6(**V6, plen=0) / segment()])
def test_length_left_open(packet: Packet) -> None:
    """Where a network card cuts segments itself, IP's length may be 0: the frame's own counts."""
    assert read(packet).messages == [("request", 7)]


@pytest.mark.parametrize(
    "packet",
    [
        IP(**V4, flags="MF") / segment(),
        IP(**V4, frag=2) / segment(),
        IPv6(**V6) / IPv6ExtHdrFragment(offset=0, m=1) / segment(),
        IPv6(**V6) / IPv6ExtHdrFragment(offset=4, m=0) / segment(),
    ],
)
def test_fragments(packet: Packet) -> None:
    """Fragments are counted and not read: their TCP header may be elsewhere."""
    rows = read(packet)
    assert (rows.found, rows.counters.fragments, rows.counters.undecodable_frames) == ([], 1, 1)


@pytest.mark.parametrize(
    "packet",
    [
        IP(**V4, len=200) / segment(),
        IP(**V4, len=12) / segment(),
        IP(**V4, ihl=4) / segment(),
        IP(**V4, version=5) / segment(),
        IP(**V4) / segment(dataofs=4),
        IP(**V4) / segment(dataofs=15),
        IPv6(**V6, plen=900) / segment(),
    ],
    ids=["long", "short", "header length", "version", "TCP header", "long TCP header", "long IPv6"],
)
def test_lengths_that_cannot_be(packet: Packet) -> None:
    """A length that contradicts the frame's makes it undecodable (or no IP at all)."""
    rows = read(packet)
    assert rows.found == []
    assert rows.counters.undecodable_frames == (0 if bytes(packet)[0] >> 4 == 5 else 1)


def test_other_protocols_and_ports() -> None:
    """UDP, and TCP between other ports, are not looked at."""
    for packet in (IP(**V4, proto=17) / Raw(bytes(20)), IP(**V4) / TCP(sport=1, dport=80) / Raw(READ)):
        rows = read(packet)
        assert (rows.found, rows.counters.modbus_frames, rows.counters.undecodable_frames) == ([], 0, 0)


def test_cut_by_the_recorder() -> None:
    """A segment ends where IP says, although the recorder kept less; not beyond what was on the wire."""
    packet = bytes(IP(**V4) / segment())
    rows = read(packet, kept=len(packet) - 4)
    assert [(row["identifier"], row["shape"], row["start"]) for row in rows.of("request")] == [(7, "cut", -1)]
