"""Reassembly of IP fragments: any order, copies, contradictions, cuts, and bounds of memory and time."""

from __future__ import annotations

import itertools
import random

import pytest
from scapy.layers.inet import IP, TCP, fragment
from scapy.layers.inet6 import IPv6, IPv6ExtHdrFragment, fragment6
from scapy.packet import Raw

from mbsniff.wire.unwrap import fragments as f
from mbsniff.wire.unwrap.fragments import Fragment, Reassembly
from tests.builders import tunnels
from tests.builders.adus import adu
from tests.builders.packets import RAW
from tests.builders.plant import BEGINS_NS
from tests.builders.rows import Rows, rows_of

MILLISECOND, SECOND = 1_000_000, 1_000_000_000
KEY = (4, bytes(8), 7, 6)
WRITE = adu(7, 1, bytes.fromhex("1000000014") + b"\x28" + bytes(range(40)))
V4, V6 = {"src": "192.0.2.10", "dst": "192.0.2.50"}, {"src": "2001:db8::10", "dst": "2001:db8::50"}
SEGMENT = TCP(sport=49152, dport=502, flags="PA", seq=1, ack=1) / Raw(WRITE)


def read(parts: list[bytes], kept: int | None = None, apart_ns: int = 1000) -> Rows:
    records = [(BEGINS_NS + n * apart_ns, part[:kept], len(part)) for n, part in enumerate(parts)]
    return rows_of(records, links=[RAW] * len(records))


def part(offset: int, data: bytes, more: bool = True, key: f.Key = KEY) -> Fragment:
    return Fragment(key, offset, len(data), more, 6, data)


SPLIT = {
    "IPv4": [bytes(p) for p in fragment(IP(**V4, id=7) / SEGMENT, 24)],
    "IPv6": [bytes(p) for p in fragment6(IPv6(**V6) / IPv6ExtHdrFragment(id=7) / SEGMENT, 72)],
    "IPv4 by hand": tunnels.fragments(bytes(IP(**V4) / SEGMENT), 7, 16),
    "IPv6 by hand": tunnels.fragments(bytes(IPv6(**V6) / SEGMENT), 7, 40),
}


@pytest.mark.parametrize("name", SPLIT)
def test_any_order(name: str) -> None:
    """Fragments in any order make the packet that scapy cut (RFC 791, 3.2; RFC 8200, 4.5)."""
    parts = SPLIT[name]
    orders = list(itertools.permutations(parts)) if len(parts) < 5 else []
    orders += [tuple(random.Random(n).sample(parts, len(parts))) for n in range(20)]
    for order in orders:
        rows = read(list(order))
        assert [row["value"] for row in rows.of("request")] == [WRITE[13:]]
        assert [row["frame"] for row in rows.of("request")] == [len(parts) - 1]
        assert (rows.counters.fragments, rows.counters.undecodable_frames) == (0, 0)
        assert rows.counters.seen_through == {"IP fragment": len(parts)}


@pytest.mark.parametrize("name", SPLIT)
def test_copies_of_fragments(name: str) -> None:
    """A mirror that delivers each fragment twice, or all of them again, adds nothing."""
    parts = SPLIT[name]
    for order in ([p for p in parts for _ in range(2)], parts + parts):
        rows = read(order)
        assert rows.messages == [("request", 7)]
        assert (rows.counters.repeated_frames, rows.counters.fragments) == (len(parts), 0)
        assert rows.of("again") == []


def test_sent_again() -> None:
    """Later than a mirror's copies come, the same fragments are TCP's own repetition."""
    parts = SPLIT["IPv4"]
    rows = read(parts + parts, apart_ns=11 * MILLISECOND)
    assert (len(rows.of("request")), len(rows.of("again"))) == (1, 1)


@pytest.mark.parametrize("name", SPLIT)
def test_one_is_missing(name: str) -> None:
    """Without one fragment nothing is put together, and all others are counted."""
    for missing in range(len(SPLIT[name])):
        rows = read([p for n, p in enumerate(SPLIT[name]) if n != missing])
        assert (rows.found, rows.counters.fragments) == ([], len(SPLIT[name]) - 1)


@pytest.mark.parametrize(
    "parts",
    [
        [part(0, b"a" * 16), part(8, b"b" * 16), part(24, b"c", more=False)],
        [part(0, b"a" * 16), part(0, b"b" * 16), part(16, b"c", more=False)],
        [part(8, b"a" * 16), part(0, b"b" * 16), part(24, b"c", more=False)],
        [part(0, b"a" * 16), part(24, b"c", more=False), part(24, b"cc", more=False)],
        [part(16, b"a" * 16), part(8, b"c", more=False), part(0, b"b" * 8)],
        [part(0, b"a" * 15), part(16, b"c", more=False)],
        [part(65_528, b"a" * 16, more=False), part(0, b"b" * 65_528)],
    ],
    ids=["after", "same place", "before", "two ends", "beyond the end", "no multiple of 8", "too long"],
)
def test_contradictions_spoil_the_packet(parts: list[Fragment]) -> None:
    """Overlapping fragments leave open which bytes the receiver took: none are (RFC 5722, 4; RFC 791, 3.2)."""
    made = Reassembly()
    assert [made.take(p, 0) for p in parts] == [None] * len(parts)
    assert made.contradicting >= 2


def test_pairs_of_contradicting_fragments_are_counted() -> None:
    """By name, in the counters."""
    packet = bytes(IP(**V4) / SEGMENT)
    parts = tunnels.fragments(packet, 7, 24)
    parts.insert(1, tunnels.fragments(packet, 7, 32)[0])
    rows = read(parts)
    assert rows.found == []
    assert rows.counters.not_seen_through == {"IP fragments that contradict each other": len(parts)}
    assert rows.counters.fragments == 0


def test_cut_short_by_the_recorder() -> None:
    """Bytes up to the first that the recording lacks count, and the packet's length as it was."""
    parts = tunnels.fragments(bytes(IP(**V4) / SEGMENT), 7, 40)
    rows = read(parts, kept=50)
    assert [(row["identifier"], row["shape"]) for row in rows.of("request")] == [(7, "cut")]


def test_time_runs_out() -> None:
    """After 60 s of capture time the rest of a packet is not awaited any more (RFC 8200, 4.5)."""
    for wait_ns, whole in ((60 * SECOND, True), (60 * SECOND + 1, False)):
        made = Reassembly()
        made.take(part(0, b"a" * 8), 0)
        assert (made.take(part(8, b"b", more=False), wait_ns) is not None) is whole


def test_bounds() -> None:
    """A flood of first fragments is forgotten, the oldest first; memory stays within its bound."""
    made = Reassembly()
    for number in range(20_000):
        made.take(part(0, bytes(1480), key=(4, bytes(8), number, 6)), number)
    assert len(made._waiting) <= f.MOST_WAITING
    assert made._stored <= f.MOST_BYTES + 1480
    big = Reassembly()
    for number in range(1_000):
        big.take(part(0, bytes(60_000), key=(4, bytes(8), number, 6)), number)
    assert big._stored <= f.MOST_BYTES + 60_000


def test_the_longest_in_smallest_pieces() -> None:
    """8,000 pieces of 8 bytes, in bad order, are put together at once."""
    made = Reassembly()
    pieces = [part(at, at.to_bytes(8, "big"), more=at < 63_992) for at in range(0, 64_000, 8)]
    random.Random(1).shuffle(pieces)
    found = [whole for piece in pieces if (whole := made.take(piece, 0)) is not None]
    assert [whole.size for whole in found] == [64_020]
    assert found[0].packet[20:] == b"".join(at.to_bytes(8, "big") for at in range(0, 64_000, 8))
    assert made._stored == 0
