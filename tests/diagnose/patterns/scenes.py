"""Nothing in, a plant for each pattern and one for its look-alike out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, poll
from tests.builders.packets import RST, SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.diagnose.built import every, master


@dataclass(frozen=True)
class Scene:
    """A pattern's code, a plant that shows it, and those that look alike and must not be taken for it."""

    code: str
    shows: Callable[[], Plant]
    look_alikes: tuple[Callable[[], Plant], ...]


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


def lockstep() -> Plant:
    """Each reply 1.1 s after its request, the next request after 1 s."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        if k:
            link.answer(adu(k - 1, 1, DATA), wait=0.1)
    return plant


def one_late() -> Plant:
    """One reply comes after the next request, all others in time."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 20)
    link.ask(adu(500, 1, READ))
    link.ask(adu(501, 1, READ), wait=1)
    link.answer(adu(500, 1, DATA), wait=0.2)
    link.answer(adu(501, 1, DATA), wait=0.1)
    poll(link, every(1, 23, 60), first=600)
    return plant


def foreign_identifiers() -> Plant:
    """Every reply bears an identifier that nobody used."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        link.answer(adu(k + 1000, 1, DATA), wait=0.1)
    return plant


def _two(apart: bool, *, second: bool = False, again: bool = False) -> Callable[[], Plant]:
    """Two requests at once every third second, in one segment or two: the second answered or not, or sent again."""

    def plant_of() -> Plant:
        plant, link = steady([])
        for k in range(60):
            if k % 3:
                poll(link, [k], first=k)
                continue
            at(plant, k)
            one, two = adu(1000 + k, 1, READ), adu(1001 + k, 1, READ)
            if apart:
                link.ask(one)
                link.ask(two, wait=0.005)
            else:
                link.ask(one + two)
            link.answer(adu(1000 + k, 1, DATA), wait=0.02)
            if again:
                link.again(MASTER, wait=0.3)
            if second:
                link.answer(adu(1001 + k, 1, DATA), wait=0.02)
        return plant

    return plant_of


def crossed() -> Plant:
    """Two masters ask unit 1 at the same moment, and each gets the other's reply."""
    plant = Plant()
    one, other = master(plant), master(plant, 20)
    for k in range(60):
        at(plant, k)
        one.ask(adu(k, 1, READ))
        other.ask(adu(k + 5000, 1, READ), wait=0.01)
        if k % 10 == 5:
            one.answer(adu(k + 5000, 1, DATA))
            other.answer(adu(k, 1, DATA))
        else:
            one.answer(adu(k, 1, DATA))
            other.answer(adu(k + 5000, 1, DATA))
    return plant


def other_unit() -> Plant:
    """Unit 1 is asked, unit 255 replies."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        link.answer(adu(k, 255, DATA), wait=0.1)
    return plant


def _outage(link: Connection, begin: float, tries: int = 4) -> None:
    """A request that TCP sends again, at doubling intervals, in vain."""
    at(link.plant, begin)
    link.ask(adu(900, 1, READ))
    for k in range(tries):
        link.again(MASTER, wait=0.3 * 2**k)


def restart() -> Plant:
    """The last retransmission is answered by a reset; then a new connection."""
    plant, link = steady(every(1, 0, 20))
    _outage(link, 20)
    link.reset(DEVICE, wait=0.001)
    _goes_on(plant, 26)
    return plant


def never_heard() -> Plant:
    """What was sent again is answered by a reset, as of a box between: the device itself is never heard."""
    plant = Plant()
    link = master(plant)
    _outage(link, 0)
    link.reset(DEVICE, wait=0.001)
    return plant


def pulled_cable() -> Plant:
    """The last retransmission is answered, and the connection goes on."""
    plant, link = steady(every(1, 0, 20))
    _outage(link, 20)
    link.answer(adu(900, 1, DATA), wait=0.01)
    poll(link, every(1, 26, 60), first=200)
    return plant


def reset_in_service() -> Plant:
    """The device resets a connection right after a reply."""
    plant, link = steady(every(1, 0, 20))
    link.reset(DEVICE, wait=0.01)
    _goes_on(plant, 21)
    return plant


def _goes_on(plant: Plant, since: float, port: int = 50000) -> Connection:
    """The master opens another connection and polls until the end."""
    link = master(plant, port=port)
    at(plant, since - 0.1)
    link.handshake()
    poll(link, every(1, since, 60), first=300)
    return link


def _attempts(plant: Plant, times: list[float], last: int = 10, *, refused: bool = True) -> None:
    """SYNs, each from another port, answered by a reset or not at all."""
    for k, seconds in enumerate(times):
        link = master(plant, last, port=51000 + k)
        at(plant, seconds)
        link.segment(MASTER, flags=SYN)
        if refused:
            link.reset(DEVICE, wait=0.001)


def service_down() -> Plant:
    """The device closes its connection, and refuses for 15 s."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 20)
    link.close(DEVICE)
    link.close(MASTER)
    _attempts(plant, every(3, 22, 38))
    _goes_on(plant, 40)
    return plant


def unheard_attempts() -> Plant:
    """The same, but nobody answers."""
    plant, link = steady(every(1, 0, 20))
    at(plant, 20)
    link.close(DEVICE)
    link.close(MASTER)
    _attempts(plant, every(3, 22, 38), refused=False)
    _goes_on(plant, 40)
    return plant


def no_slot() -> Plant:
    """A second client is refused, or closed at once, while the first is served."""
    plant, _ = steady()
    _attempts(plant, [10.5, 20.5, 30.5], 30)
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


def _many_links(outages: bool) -> Callable[[], Plant]:
    """Five connections one after the other, none closed, each given up in an outage or not."""

    def plant_of() -> Plant:
        plant = Plant()
        for k in range(5):
            link = master(plant, port=55000 + k)
            at(plant, 12 * k)
            link.handshake()
            poll(link, every(1, 12 * k + 0.5, 12 * k + 8), first=100 * k)
            if outages:
                _outage(link, 12 * k + 8, 3)
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


def _units(reply: bytes | None, *, first_answers: bool = True) -> Callable[[], Plant]:
    """Unit 1 and unit 12 are polled on one connection; unit 12's reply, and its delay."""

    def plant_of() -> Plant:
        plant = Plant()
        link = master(plant)
        for k in range(60):
            poll(link, [k], first=2 * k, reply_s=0.05 if first_answers else None)
            delay = None if reply is None else 0.4 if reply[-1] == 0x0B else 0.005
            poll(link, [k + 0.3], first=2 * k + 1, unit=12, reply_s=delay, reply=reply or b"")
            if not first_answers:
                link.segment(DEVICE, wait=0.04)
        return plant

    return plant_of


def _refusals(code: int, *, load: bool) -> Callable[[], Plant]:
    """Exceptions to one in five of a second master's requests: where it asks more, or at one rate all along."""

    def plant_of() -> Plant:
        plant, _ = steady()
        times = every(0.2, 20.1, 30) if load else every(1, 0.5, 60)
        for k, seconds in enumerate(times):
            refused = k % 5 == 0
            reply = bytes([0x83, code]) if refused else DATA
            poll(_second(plant), [seconds], first=k, reply=reply, reply_s=0.01)
        return plant

    links: dict[int, Connection] = {}

    def _second(plant: Plant) -> Connection:
        return links.setdefault(id(plant), master(plant, 20))

    return plant_of


def _edge(code: int) -> Callable[[], Plant]:
    """Registers 96 to 99 are served, 96 to 100 refused with a code."""

    def plant_of() -> Plant:
        plant = Plant()
        short, block = bytes.fromhex("0300600004"), bytes.fromhex("0300600005")
        poll(master(plant), every(1, 0, 60), request=short, reply=bytes.fromhex("0308") + bytes(8))
        other = master(plant, port=50000)
        poll(other, every(5, 0.5, 60), request=block, reply=bytes([0x83, code]))
        return plant

    return plant_of


def wrong_length() -> Plant:
    """The byte count says 4 where two bytes follow."""
    plant, link = steady(every(1, 0, 20))
    poll(link, every(1, 20, 40), reply=bytes.fromhex("03040007"), first=100)
    poll(link, every(1, 40, 60), first=200)
    return plant


def cut_short() -> Plant:
    """The recorder keeps all but the last byte of each reply."""
    plant, _ = steady()
    for sighting in plant.wire:
        if len(sighting.packet) == 20 + 20 + len(adu(1, 1, DATA)):
            sighting.cut = len(sighting.packet) - 1
    return plant


def _twice(how: str) -> Callable[[], Plant]:
    """Each fifth reply is there twice: sent as a new message, sent again by TCP, or copied by the mirror port."""

    def plant_of() -> Plant:
        plant = Plant()
        link = master(plant)
        for k in range(60):
            poll(link, [k], first=k)
            if k % 5:
                continue
            if how == "message":
                link.answer(adu(k, 1, DATA), wait=0.05)
            elif how == "TCP":
                link.again(DEVICE, wait=0.05)
            else:
                plant.wire[-1].copies = (40_000,)
        return plant

    return plant_of


def _connections(period_s: float, devices: int) -> Callable[[], Plant]:
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


def _closes(idle_s: list[float]) -> Callable[[], Plant]:
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


def _writes(values: list[int]) -> Callable[[], Plant]:
    """Register 40 is written once a second."""

    def plant_of() -> Plant:
        plant = Plant()
        link = master(plant)
        for k, value in enumerate(values):
            pdu = bytes.fromhex("060028") + value.to_bytes(2, "big")
            poll(link, [k], first=k, request=pdu, reply=pdu)
        return plant

    return plant_of


def one_identifier() -> Plant:
    """Identifier 0 in every request."""
    plant = Plant()
    link = master(plant)
    for k in range(60):
        poll(link, [k], first=0)
    return plant


def _resent(by_tcp: bool) -> Callable[[], Plant]:
    """A request is there twice: sent as a new message, or sent again by TCP."""

    def plant_of() -> Plant:
        plant, link = steady(every(1, 0, 20))
        at(plant, 20)
        link.ask(adu(900, 1, READ))
        if by_tcp:
            link.again(MASTER, wait=0.5)
        else:
            link.ask(adu(900, 1, READ), wait=0.5)
        link.answer(adu(900, 1, DATA), wait=0.01)
        poll(link, every(1, 22, 60), first=901)
        return plant

    return plant_of


def _reused(anew: bool) -> Callable[[], Plant]:
    """Each tenth request stays without a reply; the next has its identifier, by the same connection or another."""

    def plant_of() -> Plant:
        plant = Plant()
        link = master(plant)
        for k in range(60):
            at(plant, k)
            missing, after = k % 10 == 4, k % 10 == 5
            if after and anew:
                link = master(plant, port=59000 + k)
                link.handshake()
            pdu = bytes([3, 0, k % 10, 0, 1])
            identifier = k - 1 if after else k
            link.ask(adu(identifier, 1, pdu))
            if not missing:
                link.answer(adu(identifier, 1, DATA), wait=0.1)
        return plant

    return plant_of


def _round(waits: bool, own: bool = False) -> Callable[[], Plant]:
    """Two devices asked in turn; then the master waits in vain for the second, asks none, or misses the first."""

    def plant_of() -> Plant:
        plant = Plant()
        one, two = master(plant), master(plant, device=51)
        for k in range(60):
            if not 20 <= k < 26:
                poll(one, [k], first=k)
                poll(two, [k + 0.2], first=k)
            elif own:
                poll(one, [k], first=k, reply_s=None)
                poll(two, [k + 0.2], first=k)
            elif waits and k % 2 == 0:
                poll(two, [k], first=k, reply_s=None)
        return plant

    return plant_of


def _outages(both: bool) -> Callable[[], Plant]:
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


SCENES = (
    Scene("late-lockstep", lockstep, (one_late, foreign_identifiers)),
    Scene("segment-unread", _two(False), (_two(False, second=True), _two(True), _two(False, again=True))),
    Scene("pipelining-ignored", _two(True), (_two(True, second=True), _two(False), _two(True, again=True))),
    Scene("reply-crossed", crossed, (lockstep, _twice("message"), other_unit)),
    Scene("reply-other-unit", other_unit, (crossed, foreign_identifiers)),
    Scene("device-restart", restart, (pulled_cable, reset_in_service, service_down, never_heard)),
    Scene("connections-refused", service_down, (no_slot, unheard_attempts)),
    Scene("no-free-slot", no_slot, (service_down, unheard_attempts)),
    Scene("connection-evicted", evictions, (all_reset, _closes([6, 6, 6, 6]))),
    Scene("connections-leaked", _many_links(True), (_many_links(False), evictions)),
    Scene("same-port-restart", same_port, (same_port_unheard, restart)),
    Scene("unit-silent", _units(None), (_units(None, first_answers=False), _units(b"\x83\x0b"))),
    Scene("target-silent", _units(b"\x83\x0b"), (_units(b"\x83\x0a"), _units(None))),
    Scene("gateway-path", _units(b"\x83\x0a"), (_units(b"\x83\x0b"), _units(None))),
    Scene("busy-with-load", _refusals(6, load=True), (_refusals(4, load=True), _refusals(6, load=False))),
    Scene("block-edge", _edge(2), (_edge(3),)),
    Scene("wrong-length", wrong_length, (cut_short,)),
    Scene("reply-twice", _twice("message"), (_twice("TCP"), _twice("mirror"), crossed)),
    Scene("reconnect-storm", _connections(0.2, 1), (_connections(0.2, 25), _connections(1.5, 1))),
    Scene("idle-close", _closes([6, 6, 6, 6]), (_closes([3, 6, 9, 12]), evictions)),
    Scene("probes-only", probed, (standing_by, pulled_cable)),
    Scene(
        "life-sign-frozen",
        _writes([*range(30), *[30] * 30]),
        (_writes([*range(60)]), _writes([k // 10 for k in range(60)])),
    ),
    Scene("fixed-identifier", one_identifier, (lockstep, healthy)),
    Scene("identifier-reused", _reused(False), (_reused(True), one_identifier, _resent(False))),
    Scene("starved", _round(True), (_round(False), _round(True, own=True))),
    Scene("backed-off", _outages(True), (_outages(False), pulled_cable)),
    Scene("resent-request", _resent(False), (_resent(True),)),
)
