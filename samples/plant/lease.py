"""Processes of a lease: zone 3 asks, the station gives (RFC 2131). Arguments: scenario, client or server."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator

from scapy.arch.linux import L2Socket
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether
from scapy.packet import Packet

from plant.hosts import PREFIX_BITS, STATION, ZONES
from plant.network import command
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

CLIENT = ZONES[2]
SERVER_PORT, CLIENT_PORT = 67, 68  # RFC 2131, section 4.1
EVERYONE = "ff:ff:ff:ff:ff:ff"
LISTEN_S, ANSWERS_WITHIN_S = 0.02, 3.0
BITS = bytes.fromhex(CLIENT.mac.replace(":", ""))


def ask(kind: str, number: int, wanted: str | None = None) -> Packet:
    """Build a message of the client, which has no address to speak from yet."""
    options = [("message-type", kind), *([("requested_addr", wanted)] if wanted else []), "end"]
    ip = IP(src="0.0.0.0", dst="255.255.255.255") / UDP(sport=CLIENT_PORT, dport=SERVER_PORT)
    return Ether(src=CLIENT.mac, dst=EVERYONE) / ip / BOOTP(chaddr=BITS, xid=number) / DHCP(options=options)


def answer(kind: str, number: int, given: str) -> Packet:
    """Build a message of the server to a client without an address."""
    options = [("message-type", kind), ("server_id", STATION.address), ("lease_time", 3600), "end"]
    ip = IP(src=STATION.address, dst="255.255.255.255") / UDP(sport=SERVER_PORT, dport=CLIENT_PORT)
    bootp = BOOTP(op="BOOTREPLY", yiaddr=given, siaddr=STATION.address, chaddr=BITS, xid=number)
    return Ether(src=STATION.mac, dst=EVERYONE) / ip / bootp / DHCP(options=options)


async def heard(port: L2Socket, sent_to: int, clock: Clock, until_s: float) -> AsyncIterator[Packet]:
    """Yield the DHCP messages to one UDP port until ``until_s``."""
    while clock.now_s() < until_s:
        frame = port.recv()
        if frame is not None and DHCP in frame and frame[UDP].dport == sent_to:
            yield frame
        await asyncio.sleep(0 if frame else LISTEN_S)


async def serve(scenario: Scenario, clock: Clock) -> None:
    """Offer and grant the address that is in force."""
    replies = {1: "offer", 3: "ack"}  # RFC 2132, section 9.6: discover, request
    with L2Socket(iface="eth0") as port:
        async for frame in heard(port, SERVER_PORT, clock, scenario.span_s):
            given = [lease for lease in scenario.leases if lease.at_s <= clock.now_s()][-1].address
            kind = replies.get(dict(o for o in frame[DHCP].options if isinstance(o, tuple))["message-type"])
            if kind:
                port.send(answer(kind, frame[BOOTP].xid, given))


async def exchange(port: L2Socket, message: Packet, clock: Clock) -> Packet:
    """Send a message of the client and give the server's answer."""
    port.send(message)
    async for frame in heard(port, CLIENT_PORT, clock, clock.now_s() + ANSWERS_WITHIN_S):
        return frame
    raise SystemExit("nobody gave a lease")


async def use(scenario: Scenario, clock: Clock) -> None:
    """Ask for a lease at each time of the plan, and take the address that is given."""
    own = CLIENT.address
    with L2Socket(iface="eth0") as port:
        for number, lease in enumerate(scenario.leases, 1):
            await clock.sleep_until(lease.at_s)
            while port.recv() is not None:
                pass
            offer = await exchange(port, ask("discover", number), clock)
            granted = await exchange(port, ask("request", number, offer[BOOTP].yiaddr), clock)
            given = granted[BOOTP].yiaddr
            command("ip", "address", "delete", f"{own}/{PREFIX_BITS}", "dev", "eth0")
            command("ip", "address", "add", f"{given}/{PREFIX_BITS}", "dev", "eth0")
            announce(port, given)
            own = given


def announce(port: L2Socket, address: str) -> None:
    """Announce the address in use (RFC 5227, section 2.3)."""
    from scapy.layers.l2 import ARP

    arp = ARP(op="who-has", hwsrc=CLIENT.mac, psrc=address, pdst=address)
    port.send(Ether(src=CLIENT.mac, dst=EVERYONE) / arp)


if __name__ == "__main__":
    role = {"client": use, "server": serve}[sys.argv[2]]
    asyncio.run(role(find(sys.argv[1]), get_set()))
