"""Nothing in, the plants that most scenes begin with out: a steady master, outages, attempts to connect."""

from __future__ import annotations

from tests.builders.adus import adu
from tests.builders.measured import READ, at, poll
from tests.builders.packets import SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.diagnose.built import every, master


def steady(times: list[float] | None = None) -> tuple[Plant, Connection]:
    """A plant whose master polls once a second, by a connection that was opened in the recording."""
    plant = Plant()
    link = master(plant)
    at(plant, -0.5)
    link.handshake()
    poll(link, every(1, 0, 60) if times is None else times)
    return plant, link


def healthy() -> Plant:
    """Once a second, all answered."""
    return steady()[0]


def outage(link: Connection, begin: float, tries: int = 4) -> None:
    """A request that TCP sends again, at doubling intervals, in vain."""
    at(link.plant, begin)
    link.ask(adu(900, 1, READ))
    for k in range(tries):
        link.again(MASTER, wait=0.3 * 2**k)


def goes_on(plant: Plant, since: float, port: int = 50000) -> Connection:
    """The master opens another connection and polls until the end."""
    link = master(plant, port=port)
    at(plant, since - 0.1)
    link.handshake()
    poll(link, every(1, since, 60), first=300)
    return link


def attempts(plant: Plant, times: list[float], last: int = 10, *, refused: bool = True) -> None:
    """SYNs, each from another port, answered by a reset or not at all."""
    for k, seconds in enumerate(times):
        link = master(plant, last, port=51000 + k)
        at(plant, seconds)
        link.segment(MASTER, flags=SYN)
        if refused:
            link.reset(DEVICE, wait=0.001)
