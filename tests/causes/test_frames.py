"""The frames beside TCP of the scenes, as scapy reads them."""

from __future__ import annotations

from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import ICMP, IP, UDP, IPerror
from scapy.layers.l2 import ARP, LLC, STP, Dot3, Ether

from tests.builders import beside_tcp as b
from tests.causes.oven import HOSTS

PLC, ZONE, SERVER = HOSTS["plc"], HOSTS["zone3"], HOSTS["station"]


def test_arp() -> None:
    """A request, its reply, an announcement and a probe (RFC 826; RFC 5227, 2.1.1 and 2.3)."""
    asked = Ether(b"".join(b.arp(b.ASKED, PLC, (b.NOBODY, ZONE[1]))))
    assert (asked.dst, asked[ARP].op, asked[ARP].psrc) == ("ff:ff:ff:ff:ff:ff", 1, PLC[1])
    assert (asked[ARP].pdst, asked[ARP].hwsrc, asked.src) == (ZONE[1], "00:00:5e:00:53:10", asked[ARP].hwsrc)
    answered = Ether(b"".join(b.arp(b.ANSWERED, ZONE, PLC)))
    assert (answered.dst, answered[ARP].op, answered[ARP].hwdst) == ("00:00:5e:00:53:10", 2, answered.dst)
    told = Ether(b"".join(b.announcement(*ZONE)))
    assert told[ARP].psrc == told[ARP].pdst == ZONE[1] and told[ARP].op == 1
    probed = Ether(b"".join(b.address_probe(*ZONE)))
    assert (probed[ARP].psrc, probed[ARP].pdst) == ("0.0.0.0", ZONE[1])


def test_icmp() -> None:
    """An echo and an error that quotes a packet (RFC 792), with right checksums."""
    echo = Ether(b"".join(b.echo(b.ECHO, SERVER, PLC, 3)))
    assert (echo[ICMP].type, echo[ICMP].seq, echo[IP].src, echo[IP].dst) == (8, 3, SERVER[1], PLC[1])
    error = Ether(b"".join(b.host_error(1, HOSTS["switch"], PLC, bytes(echo[IP]), hops=63)))
    assert (error[ICMP].type, error[ICMP].code, error[IP].ttl) == (3, 1, 63)
    assert error[IPerror].dst == PLC[1]
    for packet in (echo, error):
        raw = packet[IP].copy()
        kept = raw.chksum, raw[ICMP].chksum
        del raw.chksum, raw[ICMP].chksum
        again = IP(bytes(raw))
        assert (again.chksum, again[ICMP].chksum) == kept


def test_dhcp() -> None:
    """What a client asks and a server gives or refuses (RFC 2131, 2; RFC 2132, 9)."""
    kinds = {b.DISCOVER: 68, b.OFFER: 67, b.REQUEST: 68, b.ACK: 67, b.NAK: 67}
    for kind, port in kinds.items():
        given = "192.0.2.63" if kind in (b.OFFER, b.ACK) else "0.0.0.0"
        packet = Ether(
            b"".join(b.dhcp(kind, ZONE[0], 7, server=SERVER, given=given, wanted=ZONE[1], lease_s=60))
        )
        options: dict[str, int] = dict(
            option[:2] for option in packet[DHCP].options if isinstance(option, tuple)
        )
        assert (packet[UDP].sport, options["message-type"], packet[BOOTP].xid) == (port, kind, 7)
        assert (packet[BOOTP].yiaddr, packet[BOOTP].chaddr[:6]) == (given, ZONE[0])
        assert options.get("lease_time") == (60 if kind in (b.OFFER, b.ACK) else None)


def test_bridges() -> None:
    """A configuration message with the change flag (IEEE 802.1D-2004, 9.3.1), and a notification (9.3.2)."""
    hello = Dot3(b"".join(b.bridge_hello(SERVER[0], PLC[0], flags=b.TOPOLOGY_CHANGE, cost=4)))
    assert (hello.dst, hello[LLC].dsap, hello[STP].bpduflags) == ("01:80:c2:00:00:00", 0x42, 1)
    assert (hello[STP].rootmac, hello[STP].pathcost) == ("00:00:5e:00:53:10", 4)
    assert (hello[STP].bridgemac, hello[STP].maxage) == ("00:00:5e:00:53:20", 20)
    notice = Dot3(b"".join(b.topology_notice(SERVER[0])))
    assert bytes(notice[LLC].payload)[:4] == bytes.fromhex("00000080")
