"""Handshakes, closes and resets: RFC 9293, 3.5 to 3.10."""

import pytest

from tests.builders.adus import adu
from tests.builders.packets import ACK, SYN
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.builders.rows import Rows, rows_of

READ = adu(1, 1, bytes.fromhex("0300000001"))
OPENED = ["opening", "accepted", "acknowledged"]


def openings(rows: Rows) -> list[tuple[str, int]]:
    return [(row["kind"], row["amount"]) for row in rows.of("opening", "accepted")]


def opened() -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection().handshake((999, 4999))


def test_handshake_and_close() -> None:
    """SYN, SYN and ACK, the ACK that ends them, and a FIN of each side are one event each."""
    plant, connection = opened()
    connection.close(MASTER)
    connection.close(DEVICE)
    connection.segment(MASTER)
    rows = rows_of(plant)
    assert [(row["kind"], row["side"]) for row in rows.found] == [
        ("opening", MASTER), ("accepted", DEVICE), ("acknowledged", MASTER),
        ("closing", MASTER), ("closing", DEVICE),
    ]  # fmt: skip
    assert rows.counters.unrecorded_bytes == 0


def test_in_step_after_a_handshake() -> None:
    """The first byte after a handshake begins a message, so that even a private function is believed."""
    plant, connection = opened()
    private = adu(1, 1, b"\x41\x01\x02")
    connection.ask(private[:3])
    connection.ask(private[3:])
    assert rows_of(plant).messages == [("request", 1)]


def test_syn_sent_again() -> None:
    """A SYN repeated before anything follows it is the same one; so is its answer."""
    plant = Plant()
    connection = plant.connection(first=(999, 4999))
    connection.segment(MASTER, flags=SYN)
    connection.segment(MASTER, flags=SYN, seq=999, wait=1)
    connection.segment(DEVICE, flags=SYN | ACK)
    connection.segment(DEVICE, flags=SYN | ACK, seq=4999, wait=1)
    connection.segment(MASTER)
    connection.ask(READ)
    rows = rows_of(plant)
    assert openings(rows) == [("opening", 0), ("opening", 1), ("accepted", 0), ("accepted", 1)]
    assert rows.messages == [("request", 1)]


@pytest.mark.parametrize("first", [(999, 4999), (50000, 70000), (900, 4900)])
def test_another_connection_on_the_same_ports(first: tuple[int, int]) -> None:
    """A SYN after data begins another connection, even with the numbers of the one before."""
    plant, connection = opened()
    connection.ask(READ)
    connection.handshake(first, wait=1)
    connection.ask(adu(2, 1, READ[7:]))
    rows = rows_of(plant)
    assert openings(rows) == [("opening", 0), ("accepted", 0)] * 2
    assert rows.messages == [("request", 1), ("request", 2)]
    assert (rows.counters.unrecorded_bytes, len(rows.of("again"))) == (0, 0)


@pytest.mark.parametrize("away", [-(2**20) - 100, 2**30 + 100])
def test_another_connection_without_its_handshake(away: int) -> None:
    """Numbers far from those expected belong to a connection whose SYN the recording lacks."""
    plant, connection = opened()
    connection.ask(READ)
    connection.next = [(number + away) % 2**32 for number in connection.next]
    connection.ask(adu(2, 1, READ[7:]))
    rows = rows_of(plant)
    assert [row["amount"] for row in rows.of("opening")] == [0, 2]
    assert rows.messages == [("request", 1), ("request", 2)]
    assert rows.counters.unrecorded_bytes == 0


def test_handshake_recorded_in_part() -> None:
    """The answer to a SYN that the recording lacks puts both sides in step."""
    plant = Plant()
    connection = plant.connection().handshake()
    plant.wire[0].lost = True
    connection.ask(adu(1, 1, b"\x41\x01\x02")[:4])
    connection.ask(adu(1, 1, b"\x41\x01\x02")[4:])
    rows = rows_of(plant)
    assert rows.messages == [("request", 1)]
    assert rows.kinds == ["accepted", "acknowledged", "request"]


def test_reset_ends_what_waits() -> None:
    """A reset lets go what was held back, as far as it goes, and drops a message begun."""
    plant, connection = opened()
    connection.ask(READ).lost = True
    connection.ask(READ + READ[:5])
    connection.reset(DEVICE)
    rows = rows_of(plant)
    assert rows.kinds == [*OPENED, "unrecorded", "request", "reset"]
    assert rows.counters.skipped_bytes == 5


def test_data_sent_again_after_a_reset() -> None:
    """What TCP goes on sending to somebody who answers with resets is no new request."""
    plant, connection = opened()
    connection.ask(READ)
    for wait in (1, 2, 4):
        connection.again(MASTER, wait=wait)
        connection.segment(DEVICE, flags=0x04, seq=5000)
    rows = rows_of(plant)
    assert rows.messages == [("request", 1)]
    assert rows.kinds == [*OPENED, "request", *["again", "reset"] * 3]


def test_handshake_after_a_reset() -> None:
    """After a reset every SYN is a new attempt, whatever its number."""
    plant = Plant()
    connection = plant.connection(first=(999, 4999))
    for _ in range(3):
        connection.segment(MASTER, flags=SYN, seq=999, wait=1)
        connection.segment(DEVICE, flags=0x14, seq=0, ack=1000)
    rows = rows_of(plant)
    assert openings(rows) == [("opening", 0)] * 3
    connection.handshake((999, 4999))
    connection.ask(READ)
    assert rows_of(plant).messages == [("request", 1)]


def test_close_waits_for_the_bytes_before_it() -> None:
    """A FIN counts once all that its side sent before it is there."""
    plant, connection = opened()
    connection.ask(READ, wait=1)
    connection.close(MASTER, wait=0.001).back = 1
    rows = rows_of(plant)
    assert rows.kinds == [*OPENED, "request", "closing"]
