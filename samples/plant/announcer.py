"""Process beside a host that cares for its address (RFC 5227). Arguments: scenario, host's key.

A zone defends: it announces its address when another hardware address claims it. Any other host announces
its own again and again, as some controllers do.
"""

from __future__ import annotations

import sys
import time

from scapy.arch.linux import L2Socket
from scapy.layers.l2 import ARP, Ether
from scapy.packet import Packet

from plant.ears import frames
from plant.hosts import ALL, ZONES, Host
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

PERIOD_S = 2.0
DEFEND_INTERVAL_S = 10.0  # RFC 5227, section 1.1: at most one defence in so long
EVERYONE = "ff:ff:ff:ff:ff:ff"


def announcement(mac: str, address: str) -> Packet:
    """Build an ARP Announcement (RFC 5227, section 2.3): sender and target are one's own address."""
    return Ether(src=mac, dst=EVERYONE) / ARP(op="who-has", hwsrc=mac, psrc=address, pdst=address)


def announce(host: Host, scenario: Scenario, clock: Clock) -> None:
    """Announce every few seconds until the recording is over."""
    with L2Socket(iface="eth0") as port:
        while clock.now_s() < scenario.span_s:
            port.send(announcement(host.mac, host.address))
            time.sleep(PERIOD_S)


def defend(host: Host, scenario: Scenario, clock: Clock) -> None:
    """Announce once when somebody else claims the address, then not before the interval is over."""
    again_s = clock.now_s()
    with L2Socket(iface="eth0") as port:
        for frame in frames(port, clock, scenario.span_s):
            if _is_conflict(frame, host) and clock.now_s() >= again_s:
                again_s = clock.now_s() + DEFEND_INTERVAL_S
                port.send(announcement(host.mac, host.address))


def _is_conflict(frame: Packet, host: Host) -> bool:
    return ARP in frame and frame[ARP].psrc == host.address and frame[ARP].hwsrc != host.mac


if __name__ == "__main__":
    care = defend if ALL[sys.argv[2]] in ZONES else announce
    care(ALL[sys.argv[2]], find(sys.argv[1]), get_set())
