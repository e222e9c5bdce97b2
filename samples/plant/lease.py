"""Processes of a lease: zone 3 asks, the station gives (RFC 2131). Arguments: scenario, client or server."""

from __future__ import annotations

import sys
import time

from scapy.arch.linux import L2Socket
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether
from scapy.packet import Packet

from plant.announcer import EVERYONE, announcement
from plant.ears import frames
from plant.hosts import PREFIX_BITS, STATION, ZONES
from plant.network import command
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

CLIENT = ZONES[2]
BITS = bytes.fromhex(CLIENT.mac.replace(":", ""))
SERVER_PORT, CLIENT_PORT = 67, 68  # RFC 2131, section 4.1
REPLIES = {1: "offer", 3: "ack"}  # to discover and request; RFC 2132, section 9.6
ANSWERS_WITHIN_S = 3.0
NO_ADDRESS = "0.0.0.0"


def asking(kind: str, number: int, wanted: str | None = None) -> Packet:
    """Build a message of the client, which has no address to speak from yet."""
    options = [("message-type", kind), *([("requested_addr", wanted)] if wanted else []), "end"]
    ip = IP(src="0.0.0.0", dst="255.255.255.255") / UDP(sport=CLIENT_PORT, dport=SERVER_PORT)
    return Ether(src=CLIENT.mac, dst=EVERYONE) / ip / BOOTP(chaddr=BITS, xid=number) / DHCP(options=options)


def giving(kind: str, number: int, given: str) -> Packet:
    """Build a message of the server to a client that has no address yet."""
    options = [("message-type", kind), ("server_id", STATION.address), ("lease_time", 3600), "end"]
    ip = IP(src=STATION.address, dst="255.255.255.255") / UDP(sport=SERVER_PORT, dport=CLIENT_PORT)
    bootp = BOOTP(op="BOOTREPLY", yiaddr=given, siaddr=STATION.address, chaddr=BITS, xid=number)
    return Ether(src=STATION.mac, dst=EVERYONE) / ip / bootp / DHCP(options=options)


def serve(scenario: Scenario, clock: Clock) -> None:
    """Offer and grant the address that is in force, or refuse."""
    with L2Socket(iface="eth0") as port:
        for frame in frames(port, clock, scenario.span_s):
            if DHCP in frame and frame[UDP].dport == SERVER_PORT:
                given = [lease for lease in scenario.leases if lease.at_s <= clock.now_s()][-1].address
                kinds = [option[1] for option in frame[DHCP].options if option[0] == "message-type"]
                kind = REPLIES[kinds[0]] if given else "nak"
                port.send(giving(kind, frame[BOOTP].xid, given or NO_ADDRESS))


def exchange(port: L2Socket, message: Packet, clock: Clock) -> str:
    """Send a message of the client; give the address in the server's answer (`NO_ADDRESS` where it refuses)."""
    port.send(message)
    for frame in frames(port, clock, clock.now_s() + ANSWERS_WITHIN_S):
        if DHCP in frame and frame[UDP].dport == CLIENT_PORT and frame[BOOTP].xid == message[BOOTP].xid:
            return str(frame[BOOTP].yiaddr)
    raise SystemExit("nobody answered the request for a lease")


def use(scenario: Scenario, clock: Clock) -> None:
    """Ask for a lease at each time of the plan, take the address that is given, and announce it.

    A client that has an address asks for it again at once (RFC 2131, section 4.3.2, INIT-REBOOT) where it is
    to be the same or refused; where it is refused, it uses none until the next one.
    """
    own = CLIENT.address
    for number, lease in enumerate(scenario.leases, 1):
        time.sleep(max(0.0, lease.at_s - clock.now_s()))
        with L2Socket(iface="eth0") as port:
            wanted = own
            if lease.address not in ("", own):
                wanted = exchange(port, asking("discover", number), clock)
            given = exchange(port, asking("request", number, wanted), clock)
            if given != own:
                _change(own, given)
            if given != NO_ADDRESS:
                port.send(announcement(CLIENT.mac, given))
        own = given


def _change(old: str, new: str) -> None:
    for address, what in ((old, "delete"), (new, "add")):
        if address != NO_ADDRESS:
            command("ip", "address", what, f"{address}/{PREFIX_BITS}", "dev", "eth0")


if __name__ == "__main__":
    role = {"client": use, "server": serve}[sys.argv[2]]
    role(find(sys.argv[1]), get_set())
