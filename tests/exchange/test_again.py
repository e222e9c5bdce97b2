"""Transactions and a second look in, their replies' PDUs out, and only where it is certain which is whose."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

import numpy as np

from mbsniff.capture import frames_again
from mbsniff.exchange import reply_pdus
from tests.builders.adus import adu
from tests.builders.plant import DEVICE, Plant
from tests.builders.readings import read
from tests.builders.recorder import write

READ = bytes.fromhex("0300000001")


def pdus(plant: Plant) -> dict[int, bytes]:
    """The replies of all transactions, by transaction."""
    with tempfile.TemporaryDirectory() as folder:
        made = write(Path(folder) / "made.pcap", plant)
        exchange = read(made).exchange
        rows = np.arange(len(exchange.poll), dtype=np.int32)
        return reply_pdus(exchange, rows, partial(frames_again, [str(made)]))


def value(number: int) -> bytes:
    """A reply with one register."""
    return b"\x03\x02" + number.to_bytes(2, "big")


def test_each_transaction_gets_its_own_reply() -> None:
    """In their order, also where two replies share a segment."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(adu(1, 1, READ))
    connection.answer(adu(1, 1, value(5)))
    connection.ask(adu(2, 1, READ) + adu(3, 1, READ), wait=1)
    connection.answer(adu(2, 1, value(6)) + adu(3, 1, value(7)))
    assert list(pdus(plant).values()) == [value(5), value(6), value(7)]


def test_exceptions_and_missing_replies_have_none() -> None:
    """Only normal replies hold values."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(adu(1, 1, READ))
    connection.answer(adu(1, 1, b"\x83\x02"))
    connection.ask(adu(2, 1, READ), wait=1)
    assert pdus(plant) == {}


def test_a_reply_over_two_segments_is_left_out() -> None:
    """It does not lie whole in the frame that completed it; the next one is told again."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(adu(1, 1, READ))
    whole = adu(1, 1, value(5))
    connection.segment(DEVICE, whole[:8])
    connection.segment(DEVICE, whole[8:])
    connection.ask(adu(2, 1, READ), wait=1)
    connection.answer(adu(2, 1, value(6)))
    assert list(pdus(plant).values()) == [value(6)]


def test_other_units_are_not_mixed_up() -> None:
    """Two units' replies in one segment go to the unit that was asked."""
    plant = Plant()
    connection = plant.connection()
    connection.ask(adu(1, 1, READ) + adu(2, 2, READ))
    connection.answer(adu(2, 2, value(22)) + adu(1, 1, value(11)))
    assert sorted(pdus(plant).values()) == [value(11), value(22)]
