"""Nothing in, plants whose connections show a pattern, or what looks like one, out."""

from __future__ import annotations

from collections.abc import Callable

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, poll
from tests.builders.packets import RST, SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.diagnose.built import every, master
from tests.diagnose.patterns.plants import attempts, goes_on, outage, steady


def restart() -> Plant:
    """The last retransmission is answered by a reset; then a new connection."""
    plant, link = steady(every(1, 0, 20))
    outage(link, 20)
    link.reset(DEVICE, wait=0.001)
    goes_on(plant, 26)
    return plant


def never_heard() -> Plant:
    """What was sent again is answered by a reset, as of a box between: the device itself is never heard."""
    plant = Plant()
    link = master(plant)
    outage(link, 0)
    link.reset(DEVICE, wait=0.001)
    return plant


def pulled_cable() -> Plant:
    """The last retransmission is answered, and the connection goes on."""
    plant, link = steady(every(1, 0, 20))
    outage(link, 20)
    link.answer(adu(900, 1, DATA), wait=0.01)
    poll(link, every(1, 26, 60), first=200)
    return plant


def reset_in_service() -> Plant:
    """The device resets a connection right after a reply."""
    plant, link = steady(every(1, 0, 20))
    link.reset(DEVICE, wait=0.01)
    goes_on(plant, 21)
    return plant


def service_down() -> Plant:
    """The device closes its connection, and refuses for 15 s."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 20)
    link.close(DEVICE)
    link.close(MASTER)
    attempts(plant, every(3, 22, 38))
    goes_on(plant, 40)
    return plant


def unheard_attempts() -> Plant:
    """The same, but nobody answers."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 20)
    link.close(DEVICE)
    link.close(MASTER)
    attempts(plant, every(3, 22, 38), refused=False)
    goes_on(plant, 40)
    return plant


def no_slot() -> Plant:
    """A second client is refused, or closed at once, while the first is served."""
    plant, _ = steady()
    attempts(plant, [10.5, 20.5, 30.5], 30)
    link = master(plant, 30, port=52000)
    at(plant, 40.5)
    link.handshake()
    link.close(DEVICE, wait=0.01)
    return plant


def evictions() -> Plant:
    """Two clients push each other out, three times."""
    plant, _ = steady([])
    old: Connection | None = None
    for k in range(4):
        link = master(plant, 10 if k % 2 == 0 else 20, port=53000 + k)
        at(plant, 10 * k)
        link.handshake()
        if old:
            old.close(DEVICE, wait=0.02)
            old.close(MASTER, wait=0.001)
        poll(link, every(1, 10 * k + 0.5, 10 * k + 10), first=100 * k)
        old = link
    return plant


def all_reset() -> Plant:
    """Right after a newcomer, all older connections are reset: twice."""
    plant = Plant()
    for k in range(2):
        one, two = master(plant, 10, port=54000 + k), master(plant, 11, port=54000 + k)
        at(plant, 20 * k)
        one.handshake()
        two.handshake()
        poll(one, every(1, 20 * k + 1, 20 * k + 18))
        poll(two, every(1, 20 * k + 1.5, 20 * k + 18))
        new = master(plant, 20, port=54000 + k)
        at(plant, 20 * k + 18)
        new.handshake()
        one.reset(DEVICE, wait=0.1)
        two.reset(DEVICE, wait=0.1)
    return plant


def many_links(outages: bool) -> Callable[[], Plant]:
    """Five connections one after the other, none closed, each given up in an outage or not."""

    def plant_of() -> Plant:
        plant = Plant()
        for k in range(5):
            link = master(plant, port=55000 + k)
            at(plant, 12 * k)
            link.handshake()
            poll(link, every(1, 12 * k + 0.5, 12 * k + 8), first=100 * k)
            if outages:
                outage(link, 12 * k + 8, 3)
        return plant

    return plant_of


def same_port() -> Plant:
    """The master comes back from the same port; the device answers for the old connection."""
    plant, link = steady(every(1, 0, 20))
    old = list(link.next)
    at(plant, 24)
    link.segment(MASTER, flags=SYN, seq=700_000_000)
    link.segment(DEVICE, seq=old[DEVICE], ack=old[MASTER], wait=0.001)
    link.segment(MASTER, flags=RST, seq=old[MASTER], wait=0.001)
    at(plant, 25)
    link.handshake((700_000_000, 800_000_000))
    poll(link, every(1, 26, 60), first=400)
    return plant


def same_port_unheard() -> Plant:
    """The same, but nothing answers the first SYN: the host is off."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 24)
    link.segment(MASTER, flags=SYN, seq=700_000_000)
    at(plant, 28)
    link.handshake((710_000_000, 800_000_000))
    poll(link, every(1, 29, 60), first=400)
    return plant


def short_connections(period_s: float, devices: int) -> Callable[[], Plant]:
    """25 connections of one client with a request each, to one device or round several."""

    def plant_of() -> Plant:
        plant, _ = steady()
        for k in range(25):
            link = master(plant, 30, device=50 + k % devices, port=56000 + k)
            at(plant, 10 + period_s * k)
            link.handshake()
            link.ask(adu(k, 1, READ))
            link.answer(adu(k, 1, DATA))
            link.close(MASTER)
            link.close(DEVICE)
        return plant

    return plant_of


def idle_closes(idle_s: list[float]) -> Callable[[], Plant]:
    """Connections of five polls, each closed by the device so long after the last request."""

    def plant_of() -> Plant:
        plant = Plant()
        begin = 0.0
        for k, idle in enumerate(idle_s):
            link = master(plant, port=57000 + k)
            at(plant, begin)
            link.handshake()
            poll(link, every(1, begin + 0.5, begin + 5.5), first=100 * k)
            at(plant, begin + 4.5 + idle)
            link.close(DEVICE)
            link.close(MASTER)
            begin += 5 + idle
        return plant

    return plant_of


def probed() -> Plant:
    """Nothing but probes for 25 s, on a connection that goes on."""
    plant, link = steady(every(1, 0, 20))
    for seconds in every(5, 23, 43):
        at(plant, seconds)
        link.probe(MASTER)
        link.segment(DEVICE, wait=0.001)
    poll(link, every(1, 45, 60), first=200)
    return plant


def standing_by() -> Plant:
    """Probes on a second connection of a master that polls by the first."""
    plant, _ = steady()
    link = master(plant, port=58000)
    at(plant, 1.2)
    link.handshake()
    for seconds in every(5, 5.2, 60):
        at(plant, seconds)
        link.probe(MASTER)
        link.segment(DEVICE, wait=0.001)
    return plant


def outages_of_two(both: bool) -> Callable[[], Plant]:
    """One master's TCP doubles its intervals; the other's request is lost as well, and answered again early, or not."""

    def plant_of() -> Plant:
        plant = Plant()
        one, two = master(plant), master(plant, 20)
        for k in range(20):
            poll(one, [k], first=k)
            poll(two, [k + 0.3], first=k)
        at(plant, 20)
        one.ask(adu(900, 1, READ))
        for k, seconds in enumerate((20.3, 20.9, 22.1, 24.5, 29.3)):
            if k == 2 and both:
                at(plant, 21)
                two.ask(adu(899, 1, READ))
            if k == 4:
                poll(two, every(1, 25, 29), first=200)
            at(plant, seconds)
            one.again(MASTER)
        one.answer(adu(900, 1, DATA), wait=0.01)
        poll(one, every(1, 30, 60), first=300)
        return plant

    return plant_of


def window(closed_s: float, *, opens: bool = True) -> Callable[[], Plant]:
    """Requests are acknowledged with a window of 0 from 20 s on, and probes too, until it opens; then polls go on."""

    def plant_of() -> Plant:
        plant, link = steady(every(1, 0, 20))
        at(plant, 20)
        link.ask(adu(900, 1, READ))
        link.segment(DEVICE, window=0, wait=0.0005)
        for seconds in every(1, 20.6, 20 + closed_s):
            at(plant, seconds)
            link.probe(MASTER)
            link.segment(DEVICE, window=0, wait=0.0005)
        at(plant, 20 + closed_s)
        if opens:
            link.segment(DEVICE)
            link.answer(adu(900, 1, DATA), wait=0.01)
            poll(link, every(1, 21 + closed_s, 60), first=200)
        else:
            link.reset(MASTER)
            goes_on(plant, 40)
        return plant

    return plant_of


def unheard() -> Plant:
    """The host is off: nothing answers requests nor probes."""
    plant, link = steady(every(1, 0, 20))
    outage(link, 20)
    for seconds in every(1, 26, 36):
        at(plant, seconds)
        link.probe(MASTER)
    goes_on(plant, 40)
    return plant
