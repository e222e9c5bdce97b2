"""An Ethernet frame in, what it says beside Modbus out: read by dpkt and by scapy, told by the same few rules."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import dpkt

from tests.builders.recorder import Record

COPY_NS = 10_000_000
MOST_ALIKE = 8
_SAME_AGAIN = ("kind", "mac", "address", "target")
Event = dict[str, Any]


@dataclass(frozen=True)
class Fields:
    """What a library reads of a frame; ``values`` by the names that the standards use."""

    what: str
    values: dict[str, Any]


def by_dpkt(frame: bytes) -> Fields | None:
    """ARP, ICMP, DHCP or a BPDU, None for anything else; fields named after the standards."""
    if frame[14:17] == b"\x42\x42\x03" and frame[12] < 6:
        return _tree_by_dpkt(dpkt.stp.STP(frame[17:]), frame)
    layers = dpkt.ethernet.Ethernet(frame)
    inner = layers.data
    if isinstance(inner, dpkt.arp.ARP):
        names = {"op": inner.op, "sha": _mac(inner.sha), "tha": _mac(inner.tha)}
        return Fields("arp", names | {"spa": _ip(inner.spa), "tpa": _ip(inner.tpa), "dst": _mac(layers.dst)})
    if not isinstance(inner, dpkt.ip.IP):
        return None
    ends = {"src": _ip(inner.src), "dst": _ip(inner.dst), "ttl": inner.ttl}
    ends |= {"smac": _mac(layers.src), "dmac": _mac(layers.dst)}
    if isinstance(inner.data, dpkt.icmp.ICMP):
        message = bytes(inner.data)
        return Fields("icmp", ends | {"type": inner.data.type, "code": inner.data.code, "message": message})
    if isinstance(inner.data, dpkt.udp.UDP) and inner.data.dport in (67, 68):
        return _lease_by_dpkt(dpkt.dhcp.DHCP(bytes(inner.data.data)), ends)
    return None


def _lease_by_dpkt(lease: dpkt.dhcp.DHCP, ends: Event) -> Fields:
    options = dict(lease.opts)
    return Fields("dhcp", ends | {
        "message": options[dpkt.dhcp.DHCP_OPT_MSGTYPE][0], "chaddr": _mac(lease.chaddr[:6]),
        "ciaddr": str(ipaddress.ip_address(lease.ciaddr)), "yiaddr": str(ipaddress.ip_address(lease.yiaddr)),
        "wanted": _ip(options[dpkt.dhcp.DHCP_OPT_REQ_IP]) if dpkt.dhcp.DHCP_OPT_REQ_IP in options else None,
        "seconds": int.from_bytes(options.get(dpkt.dhcp.DHCP_OPT_LEASE_SEC, b""), "big") or None,
    })  # fmt: skip


def _tree_by_dpkt(tree: dpkt.stp.STP, frame: bytes) -> Fields:
    priority, root = int.from_bytes(tree.root_id[:2], "big"), _mac(tree.root_id[2:])
    return Fields("tree", {
        "smac": _mac(frame[6:12]), "type": tree.type, "flags": tree.flags, "priority": priority, "root": root,
        "port": tree.port_id, "bridge": tree.bridge_id.hex(),
    })  # fmt: skip


def by_scapy(frame: bytes) -> Fields | None:
    """The same by scapy."""
    from scapy.layers.dhcp import BOOTP
    from scapy.layers.inet import ICMP, IP, UDP
    from scapy.layers.l2 import ARP, STP, Dot3, Ether

    if frame[12] < 6:
        tree = Dot3(frame).getlayer(STP)
        return _tree_by_scapy(tree, Dot3(frame).src) if tree is not None else None
    layers = Ether(frame)
    if ARP in layers:
        a = layers[ARP]
        names = {"op": a.op, "sha": a.hwsrc, "tha": a.hwdst, "spa": a.psrc, "tpa": a.pdst, "dst": layers.dst}
        return Fields("arp", names)
    if IP not in layers:
        return None
    ip = layers[IP]
    ends = {"src": ip.src, "dst": ip.dst, "ttl": ip.ttl, "smac": layers.src, "dmac": layers.dst}
    if ICMP in layers and isinstance(ip.payload, ICMP):
        message = ip.payload
        return Fields("icmp", ends | {"type": message.type, "code": message.code, "message": bytes(message)})
    if UDP in layers and BOOTP in layers:
        return _lease_by_scapy(layers, ends)
    return None


def _lease_by_scapy(layers: Any, ends: Event) -> Fields:
    from scapy.layers.dhcp import BOOTP, DHCP

    lease = layers[BOOTP]
    options = {each[0]: each[1] for each in layers[DHCP].options if isinstance(each, tuple)}
    return Fields("dhcp", ends | {
        "message": options["message-type"], "chaddr": _mac(lease.chaddr[:6]), "ciaddr": lease.ciaddr,
        "yiaddr": lease.yiaddr, "wanted": options.get("requested_addr"), "seconds": options.get("lease_time"),
    })  # fmt: skip


def _tree_by_scapy(tree: Any, smac: str) -> Fields:
    bridge = tree.bridgeid.to_bytes(2, "big").hex() + tree.bridgemac.replace(":", "")
    return Fields("tree", {
        "smac": smac, "type": tree.bpdutype, "flags": tree.bpduflags, "priority": tree.rootid,
        "root": tree.rootmac, "port": tree.portid, "bridge": bridge,
    })  # fmt: skip


class Teller:
    """Tells what happens, frame by frame; remembers what each bridge's port said last."""

    def __init__(self) -> None:
        self._trees: dict[str, tuple[Any, ...]] = {}

    def tell(self, fields: Fields) -> list[Event]:
        """The events of a frame."""
        ways = {"arp": _arp, "icmp": _icmp, "dhcp": _lease}
        if fields.what == "tree":
            return self._tree(fields.values)
        event = ways[fields.what](fields.values)
        return [event] if event else []

    def _tree(self, f: Event) -> list[Event]:
        told = []
        if f["flags"] & 0x81:
            amount = f["type"] << 8 | f["flags"]
            told.append({"kind": "tree-news", "mac": f["smac"], "target_mac": f["root"], "amount": amount})
        says = f["priority"], f["root"], f["bridge"], f["port"]
        if self._trees.get(f["smac"]) != says:
            self._trees[f["smac"]] = says
            amount = f["port"] << 16 | f["priority"]
            told.append({"kind": "tree-hello", "mac": f["smac"], "target_mac": f["root"], "amount": amount})
        return told


def _arp(f: Event) -> Event:
    to_all = int(f["dst"][:2], 16) & 1
    tha = f["tha"] if f["tha"] != "00:00:00:00:00:00" else None
    event = {"mac": f["sha"], "target": f["tpa"], "target_mac": tha or (None if to_all else f["dst"])}
    if f["spa"] == "0.0.0.0":
        return event | {"kind": "address-probed"}
    event["address"] = f["spa"]
    if f["spa"] == f["tpa"]:
        return event | {"kind": "address-announced"}
    if f["op"] == 2:
        return event | {"kind": "lookup-answered"}
    return event | {"kind": "lookup-asked", "amount": 0 if to_all else 1}


def _icmp(f: Event) -> Event | None:
    sender = _sender(f) | {"target_mac": f["dmac"]}
    if f["type"] in (3, 4, 5, 11, 12):  # RFC 792: errors quote the header of the packet
        amount = f["type"] << 8 | f["code"]
        return sender | {"kind": "host-error", "target": _ip(f["message"][24:28]), "amount": amount}
    if f["type"] not in (0, 8):
        return None
    kind = "echo-asked" if f["type"] == 8 else "echo-answered"
    amount = int.from_bytes(f["message"][4:8], "big")
    return sender | {"kind": kind, "target": f["dst"], "amount": amount}


def _lease(f: Event) -> Event:
    event = _sender(f) | {"target_mac": f["chaddr"]}
    kind = {
        1: "lease-asked", 2: "lease-offered", 3: "lease-asked", 4: "lease-declined", 5: "lease-given",
        6: "lease-refused", 7: "lease-released",
    }[f["message"]]  # fmt: skip
    own = f["ciaddr"] if f["ciaddr"] != "0.0.0.0" else None
    if f["message"] in (1, 3, 4, 7):
        event |= {"address": own or event["address"], "target": f["wanted"] or own}
        return event | {"kind": kind, "amount": f["message"]}
    given = f["yiaddr"] if f["yiaddr"] != "0.0.0.0" else None
    return event | {"kind": kind, "target": given, "amount": f["seconds"]}


def _sender(f: Event) -> Event:
    address = f["src"] if f["src"] != "0.0.0.0" else None
    return {"mac": f["smac"], "address": address, "hops": f["ttl"]}


def told_by(records: Sequence[Record], library: Any) -> list[Event]:
    """All events of a recording, with time and frame; without copies, and at most MOST_ALIKE alike a second."""
    teller, told = Teller(), []
    first: dict[str, int] = {}
    alike: dict[str, tuple[int, int]] = {}
    for number, (time_ns, frame, _) in enumerate(records):
        fields = library(frame)
        for event in teller.tell(fields) if fields else []:
            event = {key: value for key, value in event.items() if value is not None}
            if time_ns - first.get(repr(event), -COPY_NS - 1) <= COPY_NS:
                continue
            first[repr(event)] = time_ns
            who = repr([event.get(key) for key in _SAME_AGAIN])
            since, count = alike.get(who, (0, 0))
            if time_ns - since >= 10**9:
                since, count = time_ns, 0
            alike[who] = since, count + 1
            if count < MOST_ALIKE:
                told.append(event | {"time_ns": time_ns, "frame": number})
    return told


def _mac(data: bytes) -> str:
    return data.hex(":")


def _ip(data: bytes) -> str:
    return str(ipaddress.ip_address(data))
