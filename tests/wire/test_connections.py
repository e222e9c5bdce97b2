"""Connections told apart, however many there are; who is the server; tables that grow."""

import ipaddress

import numpy as np
import pytest

from mbsniff.wire import connections, reader
from tests.builders.adus import adu
from tests.builders.plant import Plant
from tests.builders.rows import rows_of

READ = adu(1, 1, bytes.fromhex("0300000001"))
DATA = adu(1, 1, bytes.fromhex("03020007"))


def addresses(version: int, count: int) -> list[str]:
    base = ipaddress.ip_address("198.18.0.0" if version == 4 else "2001:db8::")
    return [str(base + number * (1 if version == 4 or number % 2 else 2**64)) for number in range(count)]


@pytest.mark.parametrize("version", [4, 6])
def test_thousands_of_connections(version: int) -> None:
    """Each pair of addresses and ports is a connection of its own, also where tables had to grow."""
    plant = Plant()
    names = addresses(version, 1500)
    for place, name in enumerate(names):
        plant.connection((name, 49152 + place % 3), (names[place // 2], 502)).ask(READ)
    rows = rows_of(plant)
    assert [row["connection"] for row in rows.of("request")] == list(range(1500))
    for place, name in enumerate(names):
        assert rows.reader.client(place) == (name, 49152 + place % 3)
        assert rows.reader.server(place) == (names[place // 2], 502)


def test_keys_that_collide_are_told_apart() -> None:
    """Where every key has the same hash, look-ups end after 64 probes and the tables are seeded anew."""
    seeds = [np.zeros(connections.LIMBS, np.int64), connections.seeded_multipliers()]
    plant = Plant()
    for name in addresses(4, 90):
        plant.connection((name, 49152)).ask(READ)
    original = reader.seeded_multipliers
    reader.seeded_multipliers = lambda: seeds.pop(0) if seeds else original()
    try:
        rows = rows_of(plant)
    finally:
        reader.seeded_multipliers = original
    assert seeds == []
    assert [row["connection"] for row in rows.of("request")] == list(range(90))


def test_hash_of_a_table_is_that_of_the_loop() -> None:
    """The vectorised hash, which refills the slots, is the one that the loop computes row by row."""
    rng = np.random.default_rng(1)
    keys = rng.integers(0, 2**48, (50, connections.KEY_COLUMNS), np.int64)
    keys[::2, connections.K_CLIENT_2 :] = 0
    keys[:, [connections.K_CLIENT_3, connections.K_SERVER_3]] &= 0xFFFFFFFF
    multipliers = connections.seeded_multipliers()
    plain = [connections.hash_key(memoryview(keys), row, memoryview(multipliers)) for row in range(len(keys))]
    assert connections.hash_keys(keys, multipliers).tolist() == plain


@pytest.mark.parametrize("version", [4, 6])
@pytest.mark.parametrize("handshake", [True, False])
def test_between_two_server_ports(version: int, handshake: bool) -> None:
    """A master that uses port 502 itself is still the master: whoever speaks first is the client."""
    plant = Plant()
    one, other = addresses(version, 2)
    for master, device in ((one, other), (other, one)):
        connection = plant.connection((master, 502 if master == one else 1502), (device, 502))
        if handshake:
            connection.handshake()
        connection.ask(READ)
        connection.answer(DATA)
    rows = rows_of(plant, ports=(502, 1502))
    assert rows.messages == [("request", 1), ("reply", 1)] * 2
    assert [rows.reader.client(c) for c in range(rows.reader.connections)] == [(one, 502), (other, 1502)]


def test_answer_first_between_two_server_ports() -> None:
    """Where the recording begins with SYN and ACK, their sender is the server."""
    plant = Plant()
    plant.connection(("192.0.2.10", 502), ("192.0.2.50", 502)).handshake()
    plant.wire[0].lost = True
    rows = rows_of(plant)
    assert rows.reader.connections == 1
    assert rows.reader.server(0) == ("192.0.2.50", 502)
    assert rows.kinds == ["accepted", "acknowledged"]


def test_ports_that_were_asked_for() -> None:
    """Only connections to the given ports are read."""
    plant = Plant()
    plant.connection(device=("192.0.2.50", 1502)).ask(READ)
    plant.connection(device=("192.0.2.50", 502)).ask(READ)
    assert rows_of(plant, ports=(1502,)).reader.server(0) == ("192.0.2.50", 1502)
    assert len(rows_of(plant, ports=(1502, 502)).messages) == 2


def test_rows_taken_out_in_between(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the rows of a batch do not fit, they are handed out in several lots, none lost and none twice."""
    monkeypatch.setattr(reader, "_ROWS", reader.MOST_ROWS + 40)
    monkeypatch.setattr(reader, "_VALUES", reader.MOST_VALUES + 600)
    plant = Plant()
    connection = plant.connection()
    for number in range(60):
        connection.ask(b"".join(adu(7 * number + k, 1, bytes.fromhex("10000000010200ff")) for k in range(7)))
    assert [number for _, number in rows_of(plant).messages] == list(range(420))
