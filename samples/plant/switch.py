"""Process of the switch: announces itself on its mirror port (LLDP, IEEE 802.1AB). Argument: scenario."""

from __future__ import annotations

import asyncio
import sys

from scapy.arch.linux import L2Socket
from scapy.contrib.lldp import (
    LLDPDUChassisID,
    LLDPDUEndOfLLDPDU,
    LLDPDUPortID,
    LLDPDUSystemName,
    LLDPDUTimeToLive,
)
from scapy.layers.l2 import Ether
from scapy.packet import Packet

from plant.hosts import SWITCH_MAC
from plant.network import MIRROR_PORT
from plant.peer import Clock, get_set
from plant.plan import Scenario
from plant.scenarios import find

NEAREST_BRIDGE = "01:80:c2:00:00:0e"  # IEEE 802.1AB, table 7-1
FIRST_S, PERIOD_S, TIME_TO_LIVE_S = 0.02, 30, 120  # the usual 30 s, held four times as long


def announcement(port: str) -> Packet:
    """Build the frame that goes out of ``port``."""
    return (
        Ether(dst=NEAREST_BRIDGE, src=SWITCH_MAC)
        / LLDPDUChassisID(subtype=LLDPDUChassisID.SUBTYPE_MAC_ADDRESS, id=SWITCH_MAC)
        / LLDPDUPortID(subtype=LLDPDUPortID.SUBTYPE_INTERFACE_NAME, id=port)
        / LLDPDUTimeToLive(ttl=TIME_TO_LIVE_S)
        / LLDPDUSystemName(system_name="oven line switch")
        / LLDPDUEndOfLLDPDU()
    )


async def run(scenario: Scenario, clock: Clock) -> None:
    """Announce until the recording is over."""
    with L2Socket(iface=MIRROR_PORT) as port:
        for at_s in range(0, int(scenario.span_s), PERIOD_S):
            await clock.sleep_until(FIRST_S + at_s)
            port.send(announcement(MIRROR_PORT))


if __name__ == "__main__":
    asyncio.run(run(find(sys.argv[1]), get_set()))
