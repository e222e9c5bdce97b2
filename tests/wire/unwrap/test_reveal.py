"""Single frames: what is found in tunnels built by scapy, what dpkt finds too, and what is only counted."""

from __future__ import annotations

import importlib
import random
from typing import Any

import dpkt
import pytest
from scapy.contrib.erspan import ERSPAN_II, ERSPAN_III
from scapy.contrib.geneve import GENEVE
from scapy.contrib.gtp import GTP_U_Header
from scapy.contrib.macsec import MACsec
from scapy.contrib.mpls import MPLS
from scapy.contrib.nsh import NSH
from scapy.contrib.tzsp import TZSP
from scapy.layers.dot11 import Dot11, Dot11Beacon, Dot11Elt, RadioTap
from scapy.layers.inet import IP, TCP, UDP
from scapy.layers.inet6 import IPv6, IPv6ExtHdrRouting, IPv6ExtHdrSegmentRouting
from scapy.layers.ipsec import AH, ESP
from scapy.layers.l2 import GRE, LLC, SNAP, Dot1AH, Dot1Q, Ether
from scapy.layers.l2tp import L2TP
from scapy.layers.ppp import HDLC, PPP, PPPoE
from scapy.layers.vxlan import VXLAN
from scapy.packet import Packet, Raw

from mbsniff.wire.unwrap import by_scapy, reveal
from tests.builders import tunnels
from tests.builders.adus import adu
from tests.builders.packets import tcp_packet
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.rows import Rows, rows_of

MILLISECOND = 1_000_000
READ = adu(7, 1, bytes.fromhex("0300000001"))
HARDWARE = {"src": "00:00:5e:00:53:01", "dst": "00:00:5e:00:53:02"}
V4, V6 = {"src": "192.0.2.10", "dst": "192.0.2.50"}, {"src": "2001:db8::10", "dst": "2001:db8::50"}
OUTER = {"src": "198.51.100.1", "dst": "198.51.100.2"}


def segment(**fields: Any) -> Packet:
    return TCP(sport=49152, dport=502, flags="PA", seq=1, ack=1, **fields) / Raw(READ)


INNER = Ether(**HARDWARE) / IP(**V4) / segment()
BARE = IP(**V4) / segment()
FRAME = bytes(INNER)


def outer() -> Packet:
    return Ether(**HARDWARE) / IP(**OUTER)


def read(*frames: Packet | bytes, link: int = 1, apart_ns: int = 1000, compiled: bool = False) -> Rows:
    made = [bytes(frame) for frame in frames]
    records = [(BEGINS_NS + n * apart_ns, data, len(data)) for n, data in enumerate(made)]
    return rows_of(records, links=[link] * len(made), compiled=compiled)


BUILT = {
    "GRE": outer() / GRE(proto=0x0800) / BARE,
    "GRE with key": outer() / GRE(proto=0x6558, key_present=1, key=7, seqnum_present=1) / INNER,
    "mirror": outer() / GRE(proto=0x88BE, seqnum_present=1, sequence_number=5) / ERSPAN_II() / INNER,
    "mirror with times": outer() / GRE(proto=0x22EB, seqnum_present=1) / ERSPAN_III() / INNER,
    "VXLAN": outer() / UDP(sport=50000, dport=4789) / VXLAN(vni=42, flags="Instance") / INNER,
    "Geneve": outer() / UDP(sport=50000, dport=6081) / GENEVE(vni=42) / INNER,
    "IP in IP": outer() / IP(**V4) / segment(),
    "IPv6 in IP": outer() / IPv6(**V6) / segment(),
    "IP in IPv6": Ether(**HARDWARE) / IPv6(**V6) / IP(**V4) / segment(),
    "MPLS": Ether(**HARDWARE) / MPLS(label=16, s=0) / MPLS(label=17, s=1) / BARE,
    "PPPoE": Ether(**HARDWARE) / PPPoE(sessionid=3) / PPP(proto=0x21) / BARE,
    "backbone": Ether(**HARDWARE) / Dot1AH(isid=9) / INNER,
    "802.1AE": Ether(**HARDWARE) / MACsec(E=0, C=0, SC=0, type=0x0800) / Raw(bytes(BARE) + bytes(16)),
    "authenticated": Ether(**HARDWARE) / IP(**V4) / AH(nh=6, payloadlen=4, spi=1, icv=b"\1" * 12) / segment(),
    "GTP": outer() / UDP(sport=2152, dport=2152) / GTP_U_Header(teid=5) / BARE,
    "NSH": Ether(**HARDWARE, type=0x894F) / NSH(mdtype=2, nextproto=3) / INNER,
    "L2TP": outer() / UDP(sport=1701, dport=1701) / L2TP() / PPP(proto=0x21) / BARE,
    "TZSP": outer() / UDP(sport=50000, dport=37008) / TZSP(encapsulated_protocol=1) / Raw(b"\1") / INNER,
    "tags in a mirror": outer()
    / GRE(proto=0x88BE)
    / Ether(**HARDWARE)
    / Dot1Q(vlan=3)
    / Dot1Q(vlan=4)
    / BARE,
}
LINKS = {
    "wireless": (
        127,
        RadioTap() / Dot11(type=2) / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(code=0x800) / BARE,
    ),
    "wireless, no head": (105, Dot11(type=2) / LLC(dsap=0xAA, ssap=0xAA, ctrl=3) / SNAP(code=0x800) / BARE),
    "PPP": (9, PPP(proto=0x21) / BARE),
    "PPP, framed": (50, HDLC() / PPP(proto=0x21) / BARE),
    "PPPoE": (51, PPPoE(sessionid=3) / PPP(proto=0x21) / BARE),
}


@pytest.mark.parametrize("name", BUILT)
def test_tunnels_that_scapy_builds(name: str) -> None:
    """The request is found below every layer, with the inner packet's addresses."""
    rows = read(BUILT[name])
    assert rows.messages == [("request", 7)]
    assert rows.reader.client(0)[0] in (V4["src"], V6["src"])
    assert rows.counters.undecodable_frames == 0


@pytest.mark.parametrize("name", LINKS)
def test_rare_link_types(name: str) -> None:
    """Link types that only scapy knows."""
    link, packet = LINKS[name]
    rows = read(packet, link=link)
    assert rows.messages == [("request", 7)]
    assert rows.counters.seen_through == {"rare layer": 1}
    assert read(RadioTap() / Dot11() / Dot11Beacon() / Dot11Elt(ID=0, info=b"x"), link=127).found == []


@pytest.mark.parametrize(("module", "name"), [*by_scapy.BY_NUMBER.values(), *by_scapy.BY_LINK.values()])
def test_every_rare_layer_is_there(module: str, name: str) -> None:
    """The tables name layers that scapy has."""
    assert issubclass(getattr(importlib.import_module(module), name), Packet)


@pytest.mark.parametrize("name", ["GRE", "GRE with key", "PPPoE", "IP in IP", "IPv6 in IP"])
def test_dpkt_agrees(name: str) -> None:
    """dpkt finds the same payload where it knows the layers."""
    layer = dpkt.ethernet.Ethernet(bytes(BUILT[name]))
    while not isinstance(layer, dpkt.tcp.TCP):
        layer = layer.data if not isinstance(layer, bytes) else dpkt.ethernet.Ethernet(layer)
    assert layer.data == READ
    assert read(BUILT[name]).messages == [("request", 7)]


@pytest.mark.parametrize("name", [*BUILT, *tunnels.TUNNELS, *LINKS])
def test_damage_at_every_byte(name: str) -> None:
    """Each byte overwritten, and the frame cut there: nothing is raised, and at most the one message found."""
    link = 1
    if name in LINKS:
        link, packet = LINKS[name]
        frames = [bytes(packet)]
    else:
        frames = [bytes(BUILT[name])] if name in BUILT else tunnels.TUNNELS[name].wrap(FRAME, 1)
    whole = frames[0]
    damaged = [whole[:at] for at in range(len(whole))]
    for value in (0x00, 0x01, 0x45, 0x7F, 0xFF):
        damaged += [whole[:at] + bytes((value,)) + whole[at + 1 :] for at in range(len(whole))]
    for frame in damaged:
        rows = read(frame, link=link)
        assert len(rows.messages) <= 1
        assert rows.counters.undecodable_frames <= 1


@pytest.mark.parametrize("seed", range(3))
def test_damaged_frames_compiled_alike(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A batch of damaged frames of all kinds gives the same rows and counters compiled and uncompiled."""
    monkeypatch.setattr(reveal, "SOON_COMPILED", 0)
    chance = random.Random(seed)
    kinds = [[bytes(packet)] for packet in BUILT.values()]
    kinds += [tunnel.wrap(FRAME, 1) for tunnel in tunnels.TUNNELS.values()]
    frames = []
    for _ in range(2_000):
        frame = bytearray(chance.choice(chance.choice(kinds)))
        for _ in range(chance.choice((0, 1, 1, 2, 4))):
            frame[chance.randrange(len(frame))] = chance.randrange(256)
        frames.append(
            bytes(frame[: chance.choice((len(frame), len(frame), chance.randrange(len(frame) + 1)))])
        )
    plain, fast = (read(*frames, compiled=compiled) for compiled in (False, True))
    assert fast.found == plain.found
    assert fast.counters == plain.counters
    assert plain.counters.modbus_frames > 300


def test_tunnels_without_end() -> None:
    """A frame nested more deeply than any network does is counted and left."""
    packet = bytes(BARE)
    for _ in range(20):
        packet = tunnels.ip4(4, packet)
    rows = read(tunnels.ether(0x0800, packet))
    assert (rows.found, rows.counters.not_seen_through) == ([], {"nested too deeply": 1})


@pytest.mark.parametrize(
    ("packet", "what"),
    [
        (Ether(**HARDWARE) / IP(**V4) / ESP(spi=5, seq=1, data=bytes(40)), "IPsec, encrypted"),
        (
            Ether(**HARDWARE) / IP(**V4) / UDP(sport=4500, dport=4500) / ESP(spi=5, seq=1, data=bytes(40)),
            "IPsec, encrypted",
        ),
        (Ether(**HARDWARE) / MACsec(E=1, C=1, SC=1) / Raw(bytes(60)), "802.1AE, encrypted"),
        (Ether(**HARDWARE) / IP(**V4, proto=108) / Raw(bytes(30)), "IP payload compression"),
        (
            Ether(**HARDWARE) / IP(**V4) / TCP(sport=50000, dport=802, flags="PA") / Raw(b"\x17\x03\x03"),
            "Modbus/TCP Security on port 802, encrypted",
        ),
        (
            Ether(**HARDWARE) / IP(**V4) / TCP(sport=802, dport=50000, flags="A"),
            "Modbus/TCP Security on port 802, encrypted",
        ),
    ],
)
def test_what_is_not_decodable_is_named(packet: Packet, what: str) -> None:
    """Encrypted and compressed traffic is counted by its name, and not as damaged."""
    counters = read(packet).counters
    assert (counters.not_seen_through, counters.undecodable_frames) == ({what: 1}, 0)


def test_encrypted_wireless() -> None:
    """Protected wireless frames are counted."""
    frame = RadioTap() / Dot11(type=2, FCfield="protected") / Raw(bytes(range(60)))
    assert read(frame, link=127).counters.not_seen_through == {"wireless, encrypted": 1}


def test_mirror_that_cuts_frames() -> None:
    """Where the mirror says that it cut the frame, the message counts with what is there (4.2: T)."""
    cut, uncut = (tunnels.mirror(FRAME[:-3], 1, cut=mark)[0] for mark in (True, False))
    assert [row["shape"] for row in read(cut).of("request")] == ["cut"]
    assert read(uncut).counters.undecodable_frames == 1


@pytest.mark.parametrize(
    "routing",
    [
        IPv6ExtHdrRouting(addresses=["2001:db8::60", V6["dst"]], segleft=1),
        IPv6ExtHdrSegmentRouting(addresses=[V6["dst"], "2001:db8::60"], segleft=1, lastentry=1),
    ],
    ids=["addresses", "segments"],
)
def test_routing_headers_lead_to_the_device(routing: Packet) -> None:
    """Under way the destination is a router's; the connection's is the last address (RFC 8200, 4.4; RFC 8754, 2)."""
    rows = read(Ether(**HARDWARE) / IPv6(src=V6["src"], dst="2001:db8::70") / routing / segment())
    assert (rows.messages, rows.reader.server(0)) == ([("request", 7)], (V6["dst"], 502))
    assert rows.counters.seen_through == {"IPv6 routing header": 1}


@pytest.mark.parametrize("wrap", [tunnels.prp, tunnels.hsr])
@pytest.mark.parametrize("skew", [1, 5, 40])
def test_redundant_copies_far_behind(wrap: Any, skew: int) -> None:
    """The second way may lag by many frames: by sequence number the copies are known all the same."""
    packets = [
        tcp_packet(("192.0.2.10", 49152), ("192.0.2.50", 502), 1 + 12 * n, 1, 0x18, READ) for n in range(60)
    ]
    frames = [tunnels.ether(0x0800, packet) for packet in packets]
    ways = [(n, 0, f) for n, f in enumerate(frames)] + [(n + skew, 1, f) for n, f in enumerate(frames)]
    lans = (0xA, 0xB) if wrap is tunnels.prp else (0, 1)
    made = [wrap(f, n - skew * way, lans[way])[0] for n, way, f in sorted(ways, key=lambda w: (w[0], w[1]))]
    rows = read(*made)
    assert (len(rows.of("request")), rows.of("again")) == (60, [])
    assert rows.counters.repeated_frames == 60


def test_redundant_numbers_are_used_again() -> None:
    """After 400 ms the same number is another frame (IEC 62439-3: EntryForgetTime)."""
    frame = tunnels.prp(FRAME, 5)[0]
    assert read(frame, frame, apart_ns=399 * MILLISECOND).counters.repeated_frames == 1
    late = read(frame, frame, apart_ns=401 * MILLISECOND)
    assert (late.counters.repeated_frames, len(late.of("again"))) == (0, 1)


def test_padding_is_no_trailer() -> None:
    """Bytes after the packet that end like a trailer but do not fit are padding."""
    frame = FRAME + bytes.fromhex("0001a07f88fb")
    assert read(frame).counters.seen_through == {}
    assert read(frame).messages == [("request", 7)]


def test_order_is_kept() -> None:
    """Hidden and plain frames of one connection are read in the order recorded, in one batch."""
    plant = Plant()
    connection = plant.connection().handshake()
    for _ in range(20):
        connection.ask(READ)
        connection.answer(adu(7, 1, bytes.fromhex("03020007")))
    frames = [tunnels.ether(0x0800, s.packet) for s in plant.wire]
    plain = read(*frames)
    mixed = read(*[f if n % 3 else tunnels.vxlan(f, n)[0] for n, f in enumerate(frames)])
    assert mixed.found == plain.found


@pytest.mark.parametrize("tags", [(), (0x8100,), (0x88A8, 0x8100)])
def test_below_every_link_header(tags: tuple[int, ...]) -> None:
    """A hidden header is found below Ethernet and the cooked link headers, with VLAN tags or without."""
    vlans = b"".join(tag.to_bytes(2, "big") + b"\0\7" for tag in tags)
    hidden = vlans + tunnels.pppoe(FRAME, 1)[0][12:]
    first, rest = hidden[:2], hidden[2:]
    cooked = b"\0\0\0\1\0\6" + tunnels.MACS[:8] + hidden
    cooked_2 = first + b"\0\0\0\0\0\2\0\1\0\6" + tunnels.MACS[:8] + rest
    for link, frame in ((1, tunnels.MACS + hidden), (113, cooked), (276, cooked_2)):
        rows = read(frame, link=link)
        assert (rows.messages, rows.counters.seen_through) == ([("request", 7)], {"PPPoE": 1})
