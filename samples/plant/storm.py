"""Process of a faulty host: asks everyone for an address that nobody has, without pause. Argument: scenario."""

from __future__ import annotations

import socket
import sys
import time

from scapy.layers.l2 import ARP, Ether

from plant.announcer import EVERYONE
from plant.hosts import TERMINAL
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

FRAMES_PER_S, BATCH = 800, 10
NOBODY = "192.0.2.200"


def storm(scenario: Scenario, clock: Clock) -> None:
    """Broadcast from the first time of the plan to the second, some frames at once."""
    assert scenario.storm
    from_s, until_s = scenario.storm
    arp = ARP(op="who-has", hwsrc=TERMINAL.mac, psrc=TERMINAL.address, pdst=NOBODY)
    frame = bytes(Ether(src=TERMINAL.mac, dst=EVERYONE) / arp)
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as port:
        port.bind(("eth0", 0))
        for number in range(int((until_s - from_s) * FRAMES_PER_S / BATCH)):
            time.sleep(max(0.0, from_s + number * BATCH / FRAMES_PER_S - clock.now_s()))
            for _ in range(BATCH):
                port.send(frame)


if __name__ == "__main__":
    storm(find(sys.argv[1]), get_set())
