"""Frames that say something beside Modbus, built by scapy field by field, each with what is to be told of it."""

from __future__ import annotations

from typing import Any

from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.dhcp6 import (
    DUID_LL,
    DUID_LLT,
    DHCP6_Advertise,
    DHCP6_Decline,
    DHCP6_Release,
    DHCP6_Reply,
    DHCP6_Request,
    DHCP6_Solicit,
    DHCP6OptClientId,
    DHCP6OptIA_NA,
    DHCP6OptIAAddress,
    DHCP6OptServerId,
    DHCP6OptStatusCode,
)
from scapy.layers.inet import ICMP, IP, TCP, UDP, ICMPerror, IPerror, TCPerror
from scapy.layers.inet6 import (
    ICMPv6DestUnreach,
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
    IPv6ExtHdrHopByHop,
)
from scapy.layers.l2 import ARP, LLC, STP, Dot1Q, Dot3, Ether
from scapy.packet import Packet, Raw

from tests.builders.plant import BEGINS_NS
from tests.builders.recorder import Record

PLC, ZONE, BOX, ALL = "00:00:5e:00:53:10", "00:00:5e:00:53:53", "00:00:5e:00:53:02", "ff:ff:ff:ff:ff:ff"
V4_PLC, V4_ZONE = "192.0.2.10", "192.0.2.53"
V6_PLC, V6_ZONE = "2001:db8::10", "2001:db8::53"
NODES = "33:33:00:00:00:01"


def _icmp6(message: Packet, source: str = V6_PLC, target: str = V6_ZONE) -> Packet:
    return IPv6(src=source, dst=target, hlim=255) / message


def _lease(side: int, options: list[Any], **fields: Any) -> Packet:
    ends = (IP(src="0.0.0.0", dst="255.255.255.255"), UDP(sport=68, dport=67))
    if side == 2:
        ends = (IP(src="192.0.2.1", dst="255.255.255.255", ttl=64), UDP(sport=67, dport=68))
    client = bytes.fromhex(ZONE.replace(":", ""))
    return (
        Ether(src=ZONE if side == 1 else BOX, dst=ALL) / ends[0] / ends[1]
        / BOOTP(op=side, chaddr=client, **fields) / DHCP(options=[*options, "end"])
    )  # fmt: skip


def _lease6(message: Packet, *options: Packet) -> Packet:
    ports = (547, 546) if isinstance(message, DHCP6_Reply | DHCP6_Advertise) else (546, 547)
    packet = (
        Ether(src=BOX, dst=PLC)
        / IPv6(src="fe80::1", dst="fe80::53", hlim=1)
        / UDP(sport=ports[0], dport=ports[1])
    )
    for part in (message, DHCP6OptClientId(duid=DUID_LLT(lladdr=ZONE)), *options):
        packet = packet / part
    return packet


def _tree(**fields: Any) -> Packet:
    return Dot3(dst="01:80:c2:00:00:00", src=BOX) / LLC(dsap=0x42, ssap=0x42, ctrl=3) / STP(**fields)


SIX = {"address": "fe80::1", "hops": 1, "target_mac": ZONE, "mac": BOX}
ROOT = {"rootid": 0x1001, "rootmac": PLC, "bridgeid": 0x8001, "bridgemac": BOX, "portid": 0x8002}
HELLO = {"kind": "tree-hello", "mac": BOX, "target_mac": PLC, "amount": 0x8002_1001}
ADDRESS = DHCP6OptIAAddress(addr=V6_ZONE, preflft=1800, validlft=3600)

CASES: dict[str, tuple[Packet, list[dict[str, Any]]]] = {
    # RFC 826; RFC 5227, 2.1.1 (probe), 2.3 (announcement).
    "who has": (
        Ether(src=PLC, dst=ALL) / ARP(op=1, hwsrc=PLC, psrc=V4_PLC, pdst=V4_ZONE),
        [{"kind": "lookup-asked", "mac": PLC, "address": V4_PLC, "target": V4_ZONE, "amount": 0}],
    ),
    "who has, to the old neighbour": (
        Ether(src=PLC, dst=ZONE) / ARP(op=1, hwsrc=PLC, psrc=V4_PLC, pdst=V4_ZONE),
        [{"kind": "lookup-asked", "mac": PLC, "address": V4_PLC, "target": V4_ZONE, "target_mac": ZONE, "amount": 1}],
    ),
    "it is at": (
        Ether(src=ZONE, dst=PLC) / ARP(op=2, hwsrc=ZONE, psrc=V4_ZONE, hwdst=PLC, pdst=V4_PLC),
        [{"kind": "lookup-answered", "mac": ZONE, "address": V4_ZONE, "target": V4_PLC, "target_mac": PLC}],
    ),
    "by another host's frame": (
        Ether(src=BOX, dst=PLC) / ARP(op=2, hwsrc=ZONE, psrc=V4_ZONE, hwdst=PLC, pdst=V4_PLC),
        [{"kind": "lookup-answered", "mac": ZONE, "address": V4_ZONE, "target": V4_PLC, "target_mac": PLC}],
    ),
    "announced": (
        Ether(src=ZONE, dst=ALL) / ARP(op=1, hwsrc=ZONE, psrc=V4_ZONE, pdst=V4_ZONE),
        [{"kind": "address-announced", "mac": ZONE, "address": V4_ZONE, "target": V4_ZONE}],
    ),
    "announced as a reply": (
        Ether(src=ZONE, dst=ALL) / ARP(op=2, hwsrc=ZONE, psrc=V4_ZONE, hwdst=ALL, pdst=V4_ZONE),
        [{"kind": "address-announced", "mac": ZONE, "address": V4_ZONE, "target": V4_ZONE}],
    ),
    "probed, with a tag": (
        Ether(src=ZONE, dst=ALL) / Dot1Q(vlan=7) / ARP(op=1, hwsrc=ZONE, psrc="0.0.0.0", pdst=V4_ZONE),
        [{"kind": "address-probed", "mac": ZONE, "target": V4_ZONE}],
    ),
    "reverse ARP": (Ether(src=ZONE, dst=ALL) / ARP(op=3, hwsrc=ZONE, hwdst=ZONE), []),
    # RFC 792.
    "echo": (
        Ether(src=PLC, dst=ZONE) / IP(src=V4_PLC, dst=V4_ZONE, ttl=63) / ICMP(type=8, id=0x1234, seq=7),
        [{"kind": "echo-asked", "mac": PLC, "address": V4_PLC, "target": V4_ZONE, "target_mac": ZONE, "hops": 63,
          "amount": 0x1234_0007}],
    ),
    "echo reply": (
        Ether(src=ZONE, dst=PLC) / IP(src=V4_ZONE, dst=V4_PLC, ttl=64) / ICMP(type=0, id=0x1234, seq=7),
        [{"kind": "echo-answered", "mac": ZONE, "address": V4_ZONE, "target": V4_PLC, "target_mac": PLC, "hops": 64,
          "amount": 0x1234_0007}],
    ),
    "host unreachable": (
        Ether(src=BOX, dst=PLC) / IP(src="192.0.2.1", dst=V4_PLC, ttl=255) / ICMP(type=3, code=1)
        / IPerror(src=V4_PLC, dst=V4_ZONE) / TCPerror(sport=50_000, dport=502),
        [{"kind": "host-error", "mac": BOX, "address": "192.0.2.1", "target": V4_ZONE, "target_mac": PLC, "hops": 255,
          "amount": 0x0301}],
    ),
    "time exceeded about an echo": (
        Ether(src=BOX, dst=PLC) / IP(src="192.0.2.1", dst=V4_PLC, ttl=64) / ICMP(type=11, code=0)
        / IPerror(src=V4_PLC, dst="198.51.100.9", ttl=0) / ICMPerror(type=8),
        [{"kind": "host-error", "mac": BOX, "address": "192.0.2.1", "target": "198.51.100.9", "target_mac": PLC,
          "hops": 64, "amount": 0x0B00}],
    ),
    "time stamps": (
        Ether(src=PLC, dst=ZONE) / IP(src=V4_PLC, dst=V4_ZONE) / ICMP(type=13, ts_ori=1, ts_rx=0, ts_tx=0), [],
    ),
    "later fragment": (
        Ether(src=PLC, dst=ZONE) / IP(src=V4_PLC, dst=V4_ZONE, frag=10, proto=1) / Raw(bytes(ICMP(type=8))), [],
    ),
    # RFC 4443, 4861, 4862.
    "echo, version 6": (
        Ether(src=PLC, dst=ZONE) / IPv6(src=V6_PLC, dst=V6_ZONE, hlim=64) / ICMPv6EchoRequest(id=9, seq=2),
        [{"kind": "echo-asked", "mac": PLC, "address": V6_PLC, "target": V6_ZONE, "target_mac": ZONE, "hops": 64,
          "amount": 0x0009_0002}],
    ),
    "echo reply behind an extension header": (
        Ether(src=ZONE, dst=PLC) / IPv6(src=V6_ZONE, dst=V6_PLC, hlim=64) / IPv6ExtHdrHopByHop()
        / ICMPv6EchoReply(id=9, seq=2),
        [{"kind": "echo-answered", "mac": ZONE, "address": V6_ZONE, "target": V6_PLC, "target_mac": PLC, "hops": 64,
          "amount": 0x0009_0002}],
    ),
    "unreachable, version 6": (
        Ether(src=BOX, dst=PLC) / _icmp6(ICMPv6DestUnreach(code=3), "2001:db8::1", V6_PLC)
        / IPv6(src=V6_PLC, dst=V6_ZONE) / TCP(dport=502),
        [{"kind": "host-error", "mac": BOX, "address": "2001:db8::1", "target": V6_ZONE, "target_mac": PLC,
          "hops": 255, "amount": 0x0103}],
    ),
    "solicitation": (
        Ether(src=PLC, dst="33:33:ff:00:00:53")
        / _icmp6(ICMPv6ND_NS(tgt=V6_ZONE) / ICMPv6NDOptSrcLLAddr(lladdr=PLC), target="ff02::1:ff00:53"),
        [{"kind": "lookup-asked", "mac": PLC, "address": V6_PLC, "target": V6_ZONE, "hops": 255, "amount": 0}],
    ),
    "solicitation of the old neighbour": (
        Ether(src=PLC, dst=ZONE) / _icmp6(ICMPv6ND_NS(tgt=V6_ZONE)),
        [{"kind": "lookup-asked", "mac": PLC, "address": V6_PLC, "target": V6_ZONE, "target_mac": ZONE, "hops": 255,
          "amount": 1}],
    ),
    "duplicate address detection": (
        Ether(src=ZONE, dst="33:33:ff:00:00:53") / _icmp6(ICMPv6ND_NS(tgt=V6_ZONE), "::", "ff02::1:ff00:53"),
        [{"kind": "address-probed", "mac": ZONE, "target": V6_ZONE, "hops": 255}],
    ),
    "advertisement, solicited, by a proxy": (
        Ether(src=BOX, dst=PLC)
        / _icmp6(ICMPv6ND_NA(tgt=V6_ZONE, S=1, R=0) / ICMPv6NDOptDstLLAddr(lladdr=ZONE), V6_ZONE, V6_PLC),
        [{"kind": "lookup-answered", "mac": ZONE, "address": V6_ZONE, "target": V6_PLC, "target_mac": PLC,
          "hops": 255}],
    ),
    "advertisement, to everybody": (
        Ether(src=ZONE, dst=NODES)
        / _icmp6(ICMPv6ND_NA(tgt=V6_ZONE, S=0, R=0) / ICMPv6NDOptDstLLAddr(lladdr=ZONE), V6_ZONE, "ff02::1"),
        [{"kind": "address-announced", "mac": ZONE, "address": V6_ZONE, "target": V6_ZONE, "hops": 255}],
    ),
    # RFC 2131, RFC 2132.
    "discover": (
        _lease(1, [("message-type", "discover"), ("requested_addr", V4_ZONE)]),
        [{"kind": "lease-asked", "mac": ZONE, "target": V4_ZONE, "target_mac": ZONE, "hops": 64, "amount": 1}],
    ),
    "offer": (
        _lease(2, [("message-type", "offer"), ("lease_time", 600)], yiaddr=V4_ZONE),
        [{"kind": "lease-offered", "mac": BOX, "address": "192.0.2.1", "target": V4_ZONE, "target_mac": ZONE,
          "hops": 64, "amount": 600}],
    ),
    "renewal": (
        _lease(1, [("message-type", "request")], ciaddr=V4_ZONE),
        [{"kind": "lease-asked", "mac": ZONE, "address": V4_ZONE, "target": V4_ZONE, "target_mac": ZONE, "hops": 64,
          "amount": 3}],
    ),
    "given for ever, after other options": (
        _lease(2, ["pad", ("hostname", b"zone3"), ("lease_time", 0xFFFFFFFF), ("message-type", "ack")], yiaddr=V4_ZONE),
        [{"kind": "lease-given", "mac": BOX, "address": "192.0.2.1", "target": V4_ZONE, "target_mac": ZONE, "hops": 64,
          "amount": 0xFFFFFFFF}],
    ),
    "answer to inform": (_lease(2, [("message-type", "ack")]), []),
    "refused": (
        _lease(2, [("message-type", "nak")]),
        [{"kind": "lease-refused", "mac": BOX, "address": "192.0.2.1", "target_mac": ZONE, "hops": 64}],
    ),
    "declined": (
        _lease(1, [("message-type", "decline"), ("requested_addr", V4_ZONE)]),
        [{"kind": "lease-declined", "mac": ZONE, "target": V4_ZONE, "target_mac": ZONE, "hops": 64, "amount": 4}],
    ),
    "released": (
        _lease(1, [("message-type", "release")], ciaddr=V4_ZONE),
        [{"kind": "lease-released", "mac": ZONE, "address": V4_ZONE, "target": V4_ZONE, "target_mac": ZONE, "hops": 64,
          "amount": 7}],
    ),
    "no message type": (_lease(1, []), []),
    # RFC 8415.
    "solicit": (_lease6(DHCP6_Solicit()), [SIX | {"kind": "lease-asked", "amount": 1}]),
    "advertise": (
        _lease6(DHCP6_Advertise(), DHCP6OptServerId(duid=DUID_LL(lladdr=BOX)), DHCP6OptIA_NA(ianaopts=[ADDRESS])),
        [SIX | {"kind": "lease-offered", "target": V6_ZONE, "amount": 3600}],
    ),
    "request": (
        _lease6(DHCP6_Request(), DHCP6OptIA_NA(ianaopts=[ADDRESS])),
        [SIX | {"kind": "lease-asked", "target": V6_ZONE, "amount": 3}],
    ),
    "reply": (
        _lease6(DHCP6_Reply(), DHCP6OptIA_NA(ianaopts=[ADDRESS])),
        [SIX | {"kind": "lease-given", "target": V6_ZONE, "amount": 3600}],
    ),
    "no address to give": (
        _lease6(DHCP6_Reply(), DHCP6OptIA_NA(ianaopts=[DHCP6OptStatusCode(statuscode=2)])),
        [SIX | {"kind": "lease-refused"}],
    ),
    "reply about nothing": (_lease6(DHCP6_Reply()), []),
    "declined, version 6": (
        _lease6(DHCP6_Decline(), DHCP6OptIA_NA(ianaopts=[ADDRESS])),
        [SIX | {"kind": "lease-declined", "target": V6_ZONE, "amount": 9}],
    ),
    "released, version 6": (
        _lease6(DHCP6_Release(), DHCP6OptIA_NA(ianaopts=[ADDRESS])),
        [SIX | {"kind": "lease-released", "target": V6_ZONE, "amount": 8}],
    ),
    # IEEE 802.1D-2004, 9.3.
    "configuration": (_tree(**ROOT), [HELLO]),
    "topology change": (
        _tree(bpduflags=0x81, **ROOT),
        [{"kind": "tree-news", "mac": BOX, "target_mac": PLC, "amount": 0x81}, HELLO],
    ),
    "rapid, designated port, topology change": (
        _tree(version=2, bpdutype=2, bpduflags=0x3D, **ROOT),
        [{"kind": "tree-news", "mac": BOX, "target_mac": PLC, "amount": 0x23D}, HELLO | {"amount": 0x3_8002_1001}],
    ),
    "topology change notification": (
        Dot3(dst="01:80:c2:00:00:00", src=BOX) / LLC(dsap=0x42, ssap=0x42, ctrl=3) / Raw(b"\0\0\0\x80"),
        [{"kind": "tree-news", "mac": BOX, "amount": 0x8000}],
    ),
    "another protocol of LLC": (Dot3(dst=ALL, src=BOX) / LLC(dsap=0xE0, ssap=0xE0, ctrl=3) / Raw(bytes(40)), []),
}  # fmt: skip


def record(packet: Packet, after_ns: int = 0) -> Record:
    data = bytes(packet)
    data += bytes(max(60 - len(data), 0))
    return BEGINS_NS + after_ns, data, len(data)
