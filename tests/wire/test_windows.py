"""Receive windows that close and open again (RFC 9293, 3.8.6), as link events."""

from __future__ import annotations

import pytest

from mbsniff.capture.frames import FrameBatch
from mbsniff.wire.reader import MessageReader
from mbsniff.wire.rows import KIND, REPLY, SEQUENCE
from tests.builders.adus import adu
from tests.builders.packets import ACK, FIN, PSH, RST, SYN, Link
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import Rows, batch_of, rows_of

WAYS = {"plain": Link(), "tagged": Link(tags=(0x8100,)), "not plain": Link(tags=(0x88A8, 0x8100))}
BOTH = ("window closed", "window opened")


def message(identifier: int, is_reply: bool = False) -> bytes:
    return adu(identifier, 1, bytes.fromhex("03020007" if is_reply else "0300000001"))


def told(rows: Rows) -> list[tuple[str, int, float, int, int]]:
    return [(r["kind"], r["side"], r["seconds"], r["frame"], r["amount"]) for r in rows.of(*BOTH)]


def stalled() -> Plant:
    """The device acknowledges a request with its window closed, answers a probe so, and opens it 3 s later."""
    plant = Plant()
    connection = plant.connection().handshake((999, 4999))
    for number in (1, 2):
        connection.ask(message(number), wait=1)
        connection.answer(message(number, is_reply=True), wait=0)
    connection.ask(message(3), wait=1)
    connection.segment(DEVICE, window=0, wait=0)
    connection.probe(MASTER, wait=1)
    connection.segment(DEVICE, window=0)
    connection.segment(DEVICE, window=17, wait=2)
    connection.answer(message(3, is_reply=True), wait=0)
    connection.ask(message(4), wait=1)
    connection.answer(message(4, is_reply=True), wait=0)
    return plant


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize("way", WAYS)
def test_closed_and_opened(way: str, compiled: bool) -> None:
    """One event where the window closes and one where it opens, whichever way the frames go; messages as always."""
    rows = rows_of(recorded(stalled().wire, WAYS[way]), compiled=compiled)
    closed, opened = told(rows)
    assert closed == ("window closed", DEVICE, pytest.approx(3.002), 8, 0)
    assert opened == ("window opened", DEVICE, pytest.approx(6.002), 11, 17)
    assert rows.messages == [(kind, number) for number in (1, 2, 3, 4) for kind in ("request", "reply")]
    assert rows.kinds.count("probe") == 1


def test_with_data() -> None:
    """A reply, and a FIN, may close the window as well as a bare acknowledgement; the master's is its own."""
    plant = Plant()
    connection = plant.connection().handshake((999, 4999))
    connection.ask(message(1))
    connection.segment(DEVICE, message(1, is_reply=True), ACK | PSH, window=0, wait=1)
    connection.segment(MASTER, flags=FIN | ACK, window=0, wait=1)
    connection.segment(DEVICE, wait=1)
    assert [(e[0], e[1], e[3]) for e in told(rows_of(plant))] == [
        ("window closed", DEVICE, 4), ("window closed", MASTER, 5), ("window opened", DEVICE, 6),
    ]  # fmt: skip


@pytest.mark.parametrize("flags", [RST, RST | ACK, SYN])
def test_resets_and_syns(flags: int) -> None:
    """In these a window of 0 says nothing."""
    plant = Plant()
    connection = plant.connection().handshake((999, 4999))
    connection.ask(message(1))
    connection.segment(MASTER, flags=flags, window=0, wait=1)
    assert told(rows_of(plant)) == []


def test_new_connection() -> None:
    """After a handshake on the same ports both windows are open, without an event."""
    plant = Plant()
    connection = plant.connection().handshake((999, 4999))
    connection.segment(DEVICE, window=0)
    connection.handshake((70_000_999, 90_004_999), wait=1)
    connection.ask(message(1))
    connection.segment(DEVICE, window=0, wait=1)
    assert [(e[0], e[3]) for e in told(rows_of(plant))] == [("window closed", 3), ("window closed", 8)]


@pytest.mark.parametrize("way", WAYS)
def test_copies_and_batches(way: str) -> None:
    """Copies by the mirror port make no further events, and where batches end makes no difference."""
    plant = stalled()
    for sighting in plant.wire:
        sighting.copies = (5_000, 400_000)
    records = recorded(plant.wire, WAYS[way])
    bare = rows_of(recorded(stalled().wire, WAYS[way]))
    whole = rows_of(records)
    assert [e[:3] for e in told(whole)] == [e[:3] for e in told(bare)]
    batch = batch_of(records)
    pieces = [FrameBatch(batch.data, batch.rows[k : k + 1].copy(), 0, k + 1) for k in range(len(records))]
    assert rows_in(pieces) == rows_in([batch])


def rows_in(batches: list[FrameBatch]) -> list[list[int]]:
    """The message rows; of link events, the columns that they have."""
    reader, found, ordinal = MessageReader(compiled=False), [], 0
    for batch in batches:
        for rows, _ in reader.feed(batch, ordinal):
            found += [row if row[KIND] <= REPLY else row[: SEQUENCE + 1] for row in rows.tolist()]
        ordinal += len(batch.rows)
    return found
