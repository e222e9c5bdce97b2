"""Process beside a host that cares for its address (RFC 5227). Arguments: scenario, host's key.

Zone 3 defends: it announces its address when another hardware address claims it. Any other announces
again and again, as some controllers do.
"""

from __future__ import annotations

import asyncio
import sys

from scapy.arch.linux import L2Socket
from scapy.layers.l2 import ARP, Ether
from scapy.packet import Packet

from plant.hosts import ALL, ZONES, Host
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

PERIOD_S = 2.0
DEFEND_INTERVAL_S = 10.0  # RFC 5227, section 1.1: at most one defence in so long
LISTEN_S = 0.05
EVERYONE = "ff:ff:ff:ff:ff:ff"


def announcement(host: Host) -> Packet:
    """Build an ARP Announcement (RFC 5227, section 2.3): sender and target are the host's own address."""
    arp = ARP(op="who-has", hwsrc=host.mac, psrc=host.address, pdst=host.address)
    return Ether(src=host.mac, dst=EVERYONE) / arp


async def announce(host: Host, scenario: Scenario, clock: Clock) -> None:
    """Announce every few seconds until the recording is over."""
    with L2Socket(iface="eth0") as port:
        while clock.now_s() < scenario.span_s:
            port.send(announcement(host))
            await asyncio.sleep(PERIOD_S)


async def defend(host: Host, scenario: Scenario, clock: Clock) -> None:
    """Announce once when somebody else claims the address, then not before the interval is over."""
    defended_s = -DEFEND_INTERVAL_S
    with L2Socket(iface="eth0") as port:
        while clock.now_s() < scenario.span_s:
            frame = port.recv()
            if frame is None or not _is_conflict(frame, host):
                await asyncio.sleep(0 if frame else LISTEN_S)
            elif clock.now_s() - defended_s >= DEFEND_INTERVAL_S:
                defended_s = clock.now_s()
                port.send(announcement(host))


def _is_conflict(frame: Packet, host: Host) -> bool:
    return ARP in frame and frame[ARP].psrc == host.address and frame[ARP].hwsrc != host.mac


if __name__ == "__main__":
    care = defend if ALL[sys.argv[2]] in ZONES else announce
    asyncio.run(care(ALL[sys.argv[2]], find(sys.argv[1]), get_set()))
