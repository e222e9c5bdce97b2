"""Nothing in, plants whose messages come in parts, or whose replies take as long as if they did, out."""

from __future__ import annotations

from collections.abc import Callable

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at
from tests.builders.packets import ACK, PSH
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.diagnose.patterns.plants import steady

HEADER_BYTES = 7


def stalled(put_off_s: float = 0.04) -> Plant:
    """Each third reply in two parts, the second one when the master has acknowledged the first."""
    plant, link = steady([])
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        reply = adu(k, 1, DATA)
        if k % 3:
            link.answer(reply, wait=0.005)
            continue
        link.answer(reply[:HEADER_BYTES], wait=0.003)
        link.segment(MASTER, wait=put_off_s)
        link.answer(reply[HEADER_BYTES:], wait=0.0005)
    return plant


def slow(wait_s: float = 0.045) -> Plant:
    """Each third reply is whole, and late."""
    plant, link = steady([])
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        link.answer(adu(k, 1, DATA), wait=0.005 if k % 3 else wait_s)
    return plant


def in_parts_that_wait_for_nothing() -> Plant:
    """Each third reply in two parts, the second one 40 ms later, without an acknowledgement between."""
    plant, link = steady([])
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        reply = adu(k, 1, DATA)
        link.answer(reply[:HEADER_BYTES], wait=0.003)
        link.answer(reply[HEADER_BYTES:], wait=0.0005 if k % 3 else 0.04)
        link.segment(MASTER, wait=0.02)
    return plant


def acknowledged_long_before() -> Plant:
    """The first part is acknowledged at once, the second comes 40 ms later: the device took its time."""
    plant, link = steady([])
    for k in range(60):
        at(plant, k)
        link.ask(adu(k, 1, READ))
        reply = adu(k, 1, DATA)
        link.answer(reply[:HEADER_BYTES], wait=0.003)
        link.segment(MASTER, wait=0.0002)
        link.answer(reply[HEADER_BYTES:], wait=0.0005 if k % 3 else 0.04)
    return plant


def split_requests(answers: bool, *, again: bool = False, whole: bool = False) -> Callable[[], Plant]:
    """Each sixth request in two segments: answered or not, sent again by TCP; or, unanswered as well, in one."""

    def plant_of() -> Plant:
        plant, link = steady([])
        for k in range(60):
            at(plant, k)
            request = adu(k, 1, READ)
            if k % 6:
                link.ask(request)
                link.answer(adu(k, 1, DATA), wait=0.01)
                continue
            if whole:
                link.ask(request)
            else:
                link.segment(MASTER, request[:HEADER_BYTES], ACK | PSH)
                link.ask(request[HEADER_BYTES:], wait=0.0005)
            if again:
                link.again(MASTER, wait=0.3)
            else:
                link.segment(DEVICE, wait=0.01)
            if answers:
                link.answer(adu(k, 1, DATA), wait=0.01)
        return plant

    return plant_of
