"""Nothing in, plants whose requests and replies show a pattern, or what looks like one, out."""

from __future__ import annotations

from collections.abc import Callable

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, poll
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.diagnose.built import every, master
from tests.diagnose.patterns.plants import steady


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


def two_requests(apart: bool, *, second: bool = False, again: bool = False) -> Callable[[], Plant]:
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


def two_units(reply: bytes | None, *, first_answers: bool = True) -> Callable[[], Plant]:
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


def refusals(code: int, *, load: bool) -> Callable[[], Plant]:
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


def block_at_the_edge(code: int) -> Callable[[], Plant]:
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


def reply_twice(how: str) -> Callable[[], Plant]:
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


def life_sign(values: list[int]) -> Callable[[], Plant]:
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


def asked_again(by_tcp: bool) -> Callable[[], Plant]:
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


def identifier_again(anew: bool) -> Callable[[], Plant]:
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


def round_of_devices(waits: bool, own: bool = False) -> Callable[[], Plant]:
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
