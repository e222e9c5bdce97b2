"""Nothing in, plants whose hosts show a pattern by ARP and DHCP, or what looks like one, out."""

from __future__ import annotations

from collections.abc import Callable

from tests.builders.beside_tcp import (
    ACK,
    ANSWERED,
    ASKED,
    NOBODY,
    REQUEST,
    Frame,
    announcement,
    arp,
    dhcp,
    mac,
)
from tests.builders.measured import at, poll
from tests.builders.packets import SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant, Sighting
from tests.diagnose.built import every
from tests.diagnose.patterns.plants import outage

PLC, ZONE, OTHER, BOX, SERVER = (mac(f"00-00-5E-00-53-{last}") for last in ("10", "50", "66", "01", "67"))
V4_PLC, V4_ZONE, V4_NEW, V4_SERVER = "192.0.2.10", "192.0.2.50", "192.0.2.77", "192.0.2.67"


def says(plant: Plant, seconds: float, frame: Frame) -> None:
    """A frame beside TCP at a time."""
    at(plant, seconds)
    plant.wire.append(Sighting(plant.now_ns, frame[1], head=frame[0]))


def link_of(plant: Plant, device: bytes = ZONE, port: int = 49152) -> Connection:
    """The master's connection, with hardware addresses."""
    link = plant.connection((V4_PLC, port), (V4_ZONE, 502))
    link.macs = [PLC, device]
    return link


def looked_up(plant: Plant, seconds: float, by: bytes | None) -> None:
    """The master asks who has the device's address; whoever answers."""
    says(plant, seconds, arp(ASKED, (PLC, V4_PLC), (NOBODY, V4_ZONE)))
    if by is not None:
        says(plant, seconds + 0.0002, arp(ANSWERED, (by, V4_ZONE), (PLC, V4_PLC)))


def owners(*changes: bytes, by_lookup: bool = True) -> Callable[[], Plant]:
    """The device's address answers from each hardware address for 12 s."""

    def plant_of() -> Plant:
        plant = Plant()
        for k, owner in enumerate(changes):
            begin = 12 * k
            if by_lookup:
                looked_up(plant, begin, owner)
            link = link_of(plant, owner, 49152 + k)
            at(plant, begin + 0.1)
            link.handshake()
            poll(link, every(1, begin + 0.5, begin + 11), first=100 * k)
        return plant

    return plant_of


def through_a_router() -> Plant:
    """Two devices behind one router, and now and then a segment straight from the device: two ways, one host."""
    plant = Plant()
    other = plant.connection((V4_PLC, 50000), ("192.0.2.51", 502))
    other.macs = [PLC, BOX]
    at(plant, -0.5)
    other.handshake()
    for k in range(5):
        begin = 12 * k
        link = link_of(plant, ZONE if k % 2 else BOX, 49152 + k)
        at(plant, begin + 0.1)
        link.handshake()
        poll(link, every(1, begin + 0.5, begin + 11), first=100 * k)
        poll(other, every(1, begin + 0.7, begin + 11), first=100 * k)
    return plant


def leased(given: str | None, *, power: bool = True) -> Callable[[], Plant]:
    """The device leaves at 20 s; a lease gives it an address, or none does; its old address is asked for."""

    def plant_of() -> Plant:
        plant = Plant()
        looked_up(plant, -0.7, ZONE)
        link = link_of(plant)
        at(plant, -0.5)
        link.handshake()
        poll(link, every(1, 0, 20))
        server = (SERVER, V4_SERVER)
        if given is not None:
            says(plant, 20.2, dhcp(REQUEST, ZONE, 7, server=server, wanted=given))
            says(plant, 20.3, dhcp(ACK, ZONE, 7, server=server, given=given))
            says(plant, 20.4, announcement(ZONE, given))
        if given == V4_ZONE:
            looked_up(plant, 20.6, ZONE)
            poll(link, every(1, 21, 60), first=200)
            return plant
        outage(link, 20.5)
        for seconds in every(1, 26, 40):
            looked_up(plant, seconds, None)
        if power:
            says(plant, 30.5, arp(ASKED, (ZONE, V4_NEW), (NOBODY, V4_SERVER)))
        return plant

    return plant_of


def began_anew(host_answers: bool) -> Callable[[], Plant]:
    """A SYN from the old port is not answered, and sent again; the host answers look-ups meanwhile, or does not."""

    def plant_of() -> Plant:
        plant = Plant()
        link = link_of(plant)
        at(plant, -0.5)
        link.handshake()
        poll(link, every(1, 0, 20))
        for seconds in (24.0, 25.0, 27.0):
            at(plant, seconds)
            link.segment(MASTER, flags=SYN, seq=700_000_000)
        looked_up(plant, 25.5, ZONE if host_answers else None)
        at(plant, 31)
        link.handshake((710_000_000, 800_000_000))
        poll(link, every(1, 32, 60), first=400)
        return plant

    return plant_of


def restarted_and_announced() -> Plant:
    """Silence, an announcement, a reset in answer to old data."""
    plant = Plant()
    link = link_of(plant)
    at(plant, -0.5)
    link.handshake()
    poll(link, every(1, 0, 20))
    outage(link, 20)
    says(plant, 24.6, announcement(ZONE, V4_ZONE))
    at(plant, 25)
    link.again(MASTER)
    link.reset(DEVICE, wait=0.001)
    anew = link_of(plant, port=50000)
    at(plant, 27)
    anew.handshake()
    poll(anew, every(1, 27.5, 60), first=300)
    return plant


def announced_and_resumed() -> Plant:
    """Silence and an announcement, as of a cable that was pulled: the old connection goes on."""
    plant = Plant()
    link = link_of(plant)
    at(plant, -0.5)
    link.handshake()
    poll(link, every(1, 0, 20))
    outage(link, 20)
    says(plant, 24.6, announcement(ZONE, V4_ZONE))
    at(plant, 25)
    link.again(MASTER)
    link.segment(DEVICE, wait=0.001)
    poll(link, every(1, 26, 60), first=300)
    return plant
