"""An Ethernet frame in, the frames that carry it through a network out: each header by hand from its figure."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

from tests.builders.packets import MACS, checksum

OUTER = bytes((198, 51, 100, 1)), bytes((198, 51, 100, 2))
OUTER_6 = bytes.fromhex("20010db8000000000000000000000a01"), bytes.fromhex("20010db8000000000000000000000a02")
Wrap = Callable[[bytes, int], list[bytes]]
"""A frame and its number in, what carries it out."""


def ether(ethertype: int, packet: bytes) -> bytes:
    """IEEE 802.3, 3.1."""
    return MACS + ethertype.to_bytes(2, "big") + packet


def ip4(protocol: int, payload: bytes, number: int = 0, field: int = 0) -> bytes:
    """RFC 791, 3.1; ``field`` is flags and fragment offset."""
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(payload), number & 0xFFFF, field, 64, protocol, 0)
    head += OUTER[0] + OUTER[1]
    return head[:10] + checksum(head).to_bytes(2, "big") + head[12:] + payload


def ip6(following: int, payload: bytes) -> bytes:
    """RFC 8200, 3."""
    return struct.pack(">IHBB", 0x60000000, len(payload), following, 64) + OUTER_6[0] + OUTER_6[1] + payload


def udp(target: int, payload: bytes, source: int = 50_000) -> bytes:
    """RFC 768."""
    return struct.pack(">HHHH", source, target, 8 + len(payload), 0) + payload


def over_ip4(protocol: int, payload: bytes, number: int) -> list[bytes]:
    """One frame with one IPv4 packet."""
    return [ether(0x0800, ip4(protocol, payload, number))]


def ethertype_of(frame: bytes) -> int:
    """What the frame carries."""
    return int.from_bytes(frame[12:14], "big")


def mirror_plain(frame: bytes, number: int) -> list[bytes]:
    """draft-foschiano-erspan, 4.1: GRE without a sequence number, then the frame."""
    return over_ip4(47, struct.pack(">HH", 0, 0x88BE) + frame, number)


def mirror(frame: bytes, number: int, cut: bool = False) -> list[bytes]:
    """The same, 4.2: sequence number; version 1, VLAN; class, encapsulation, T, session; index."""
    head = struct.pack(">HHI", 0x1000, 0x88BE, number)
    head += struct.pack(">HHI", 0x1000 | 7, 0x0400 * cut | 100, 5)
    return over_ip4(47, head + frame, number)


def mirror_timed(frame: bytes, number: int, more: bool = False) -> list[bytes]:
    """The same, 4.3: version 2; time stamp; group, frame type, hardware, granularity, O; eight more bytes if O."""
    head = struct.pack(">HHI", 0x1000, 0x22EB, number)
    head += struct.pack(">HHIHH", 0x2000 | 7, 100, number, 0, int(more)) + bytes(8 * more)
    return over_ip4(47, head + frame, number)


def mirror_timed_more(frame: bytes, number: int) -> list[bytes]:
    """With the platform's own eight bytes."""
    return mirror_timed(frame, number, more=True)


def gre_bridged(frame: bytes, number: int) -> list[bytes]:
    """RFC 2784, 2.1; RFC 2890, 2: checksum, key and sequence number; 6558."""
    return over_ip4(47, struct.pack(">HHHHII", 0xB000, 0x6558, 0, 0, 9, number) + frame, number)


def gre_ip(frame: bytes, number: int) -> list[bytes]:
    """RFC 2784, 2.1: the packet itself, over IPv6."""
    return [ether(0x86DD, ip6(47, struct.pack(">HH", 0, ethertype_of(frame)) + frame[14:]))]


def pptp(frame: bytes, number: int) -> list[bytes]:
    """RFC 2637, 4.1: K, S, A, version 1; length, call; numbers; PPP (RFC 1661, 2) with address and control."""
    inner = b"\xff\x03\x00\x21" + frame[14:]
    return over_ip4(47, struct.pack(">HHHHII", 0x3081, 0x880B, len(inner), 1, number, number) + inner, number)


def vxlan(frame: bytes, number: int) -> list[bytes]:
    """RFC 7348, 5: I, VNI."""
    return over_ip4(17, udp(4789, struct.pack(">II", 0x08000000, 42 << 8) + frame), number)


def vxlan_6(frame: bytes, number: int) -> list[bytes]:
    """The same over IPv6 with a hop-by-hop header (RFC 8200, 4.3) and VLAN tags (IEEE 802.1Q, 9.6)."""
    inner = udp(4789, struct.pack(">II", 0x08000000, 42 << 8) + frame)
    return [MACS + bytes.fromhex("88a800078100000886dd") + ip6(0, bytes((17, 0, 1, 4, 0, 0, 0, 0)) + inner)]


def vxlan_gpe(frame: bytes, number: int) -> list[bytes]:
    """draft-ietf-nvo3-vxlan-gpe, 3.1: I and P, next protocol 1 (IPv4)."""
    return over_ip4(17, udp(4790, struct.pack(">II", 0x0C000001, 42 << 8) + frame[14:]), number)


def geneve(frame: bytes, number: int) -> list[bytes]:
    """RFC 8926, 3.4: options of two words, 6558, VNI."""
    return over_ip4(17, udp(6081, struct.pack(">BBHI", 2, 0, 0x6558, 42 << 8) + bytes(8) + frame), number)


def ip_in_ip(frame: bytes, number: int) -> list[bytes]:
    """RFC 2003, 3."""
    return over_ip4(4, frame[14:], number)


def ether_in_ip(frame: bytes, number: int) -> list[bytes]:
    """RFC 3378, 3: version 3."""
    return over_ip4(97, b"\x30\x00" + frame, number)


def mpls(frame: bytes, number: int) -> list[bytes]:
    """RFC 3032, 2.1: two labels, the second with the bottom bit."""
    return [ether(0x8847, struct.pack(">II", 16 << 12 | 64, 17 << 12 | 0x100 | 64) + frame[14:])]


def mpls_ether(frame: bytes, number: int) -> list[bytes]:
    """RFC 4448, 4.6: an Ethernet frame below a control word."""
    return [ether(0x8847, struct.pack(">II", 17 << 12 | 0x100 | 64, 0) + frame)]


def mpls_ether_bare(frame: bytes, number: int) -> list[bytes]:
    """RFC 4448, 4.5: and without; over IPv4 (RFC 4023, 2)."""
    return over_ip4(137, struct.pack(">I", 17 << 12 | 0x100 | 64) + frame, number)


def pppoe(frame: bytes, number: int) -> list[bytes]:
    """RFC 2516, 4: version and type, code, session, length; PPP's protocol 0021."""
    return [ether(0x8864, struct.pack(">BBHHH", 0x11, 0, 1, len(frame) - 12, 0x21) + frame[14:])]


def llc(frame: bytes, number: int) -> list[bytes]:
    """RFC 1042: AA AA 03 00 00 00, EtherType; the length goes before."""
    return [ether(len(frame) - 6, b"\xaa\xaa\x03\0\0\0" + frame[12:])]


def backbone(frame: bytes, number: int) -> list[bytes]:
    """IEEE 802.1Q, 9.7: service instance tag, the customer's frame."""
    return [ether(0x88E7, b"\0\0\0\x07" + frame)]


def checked(frame: bytes, number: int) -> list[bytes]:
    """IEEE 802.1AE, 9.3: no E, no C; short length, packet number; 16 bytes of check value at the end."""
    return [frame[:12] + b"\x88\xe5" + struct.pack(">BBI", 0, 0, number) + frame[12:] + bytes(16)]


def hsr(frame: bytes, number: int, path: int = 0) -> list[bytes]:
    """IEC 62439-3, 5.7: path and LSDU size, sequence number."""
    tag = struct.pack(">HHH", 0x892F, path << 12 | len(frame) - 8 & 0xFFF, number & 0xFFFF)
    return [frame[:12] + tag + frame[12:]]


def prp(frame: bytes, number: int, lan: int = 0xA) -> list[bytes]:
    """IEC 62439-3, 4.1.10: padding, then sequence number, LAN and LSDU size, suffix."""
    frame = frame.ljust(60, b"\0")
    return [frame + struct.pack(">HHH", number & 0xFFFF, lan << 12 | len(frame) - 8, 0x88FB)]


def both(one: Callable[[bytes, int, int], list[bytes]], ways: tuple[int, int]) -> Wrap:
    """The frame as it comes over both ways of a redundant network."""
    return lambda frame, number: one(frame, number, ways[0]) + one(frame, number, ways[1])


def fragments(packet: bytes, number: int, step: int) -> list[bytes]:
    """RFC 791, 3.2, or RFC 8200, 4.5: a packet's payload in pieces of ``step`` bytes, a multiple of eight."""
    version = packet[0] >> 4
    head = packet[: (packet[0] & 15) * 4] if version == 4 else packet[:40]
    total = int.from_bytes(packet[2:4], "big") if version == 4 else 40 + int.from_bytes(packet[4:6], "big")
    body, made = packet[len(head) : total], []
    for at in range(0, len(body), step):
        part, more = body[at : at + step], at + step < len(body)
        if version == 4:
            fields = struct.pack(">HHH", len(head) + len(part), number & 0xFFFF, more << 13 | at >> 3)
            made.append(head[:2] + fields + head[8:] + part)
        else:
            fields = struct.pack(">BBHI", head[6], 0, at | more, number)
            made.append(head[:4] + struct.pack(">HB", 8 + len(part), 44) + head[7:] + fields + part)
    return made


def fragmented(frame: bytes, number: int) -> list[bytes]:
    """The frame's own packet in pieces of 24 bytes, the last one first."""
    return [frame[:14] + part for part in reversed(fragments(frame[14:], number, 24))]


def mirror_fragmented(frame: bytes, number: int) -> list[bytes]:
    """A mirror's packets that were too long for the way."""
    return [
        frame_[:14] + part for frame_ in mirror(frame, number) for part in fragments(frame_[14:], number, 64)
    ]


def nested(frame: bytes, number: int) -> list[bytes]:
    """A mirror of a PPPoE session that carries VXLAN with redundancy trailers."""
    inner = vxlan(prp(frame, number)[0], number)[0]
    return mirror_timed(pppoe(inner, number)[0], number)


@dataclass(frozen=True)
class Tunnel:
    """A way of carrying frames, and the layer's name in the counts."""

    wrap: Wrap
    layer: str
    only_ip: bool = False
    """Whether it carries nothing but IPv4."""


TUNNELS = {
    "mirror without header": Tunnel(mirror_plain, "remote mirror over GRE"),
    "mirror": Tunnel(mirror, "remote mirror over GRE"),
    "mirror with times": Tunnel(mirror_timed, "remote mirror over GRE"),
    "mirror with times and more": Tunnel(mirror_timed_more, "remote mirror over GRE"),
    "mirror in fragments": Tunnel(mirror_fragmented, "IP fragment"),
    "GRE, bridged": Tunnel(gre_bridged, "GRE"),
    "GRE over IPv6": Tunnel(gre_ip, "GRE"),
    "PPP in GRE": Tunnel(pptp, "GRE", only_ip=True),
    "VXLAN": Tunnel(vxlan, "VXLAN"),
    "VXLAN over IPv6": Tunnel(vxlan_6, "VXLAN"),
    "VXLAN-GPE": Tunnel(vxlan_gpe, "VXLAN", only_ip=True),
    "Geneve": Tunnel(geneve, "Geneve"),
    "IP in IP": Tunnel(ip_in_ip, "IP in IP", only_ip=True),
    "Ethernet in IP": Tunnel(ether_in_ip, "Ethernet in IP"),
    "MPLS": Tunnel(mpls, "MPLS", only_ip=True),
    "Ethernet in MPLS": Tunnel(mpls_ether, "MPLS"),
    "Ethernet in MPLS in IP": Tunnel(mpls_ether_bare, "MPLS"),
    "PPPoE": Tunnel(pppoe, "PPPoE", only_ip=True),
    "LLC": Tunnel(llc, "LLC"),
    "backbone": Tunnel(backbone, "backbone or extender tag"),
    "802.1AE": Tunnel(checked, "802.1AE without encryption"),
    "HSR": Tunnel(hsr, "HSR tag"),
    "HSR both ways": Tunnel(both(hsr, (0, 1)), "HSR tag"),
    "PRP": Tunnel(prp, "PRP trailer"),
    "PRP both ways": Tunnel(both(prp, (0xA, 0xB)), "PRP trailer"),
    "fragments": Tunnel(fragmented, "IP fragment", only_ip=True),
    "nested": Tunnel(nested, "PPPoE", only_ip=True),
}
