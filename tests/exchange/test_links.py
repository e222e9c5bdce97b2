"""Link events as exchange hands them on: handshakes with both their ways, closes, resets, gaps."""

from typing import Any

import pytest

from mbsniff.exchange import columns as c
from tests.builders.adus import adu
from tests.builders.exchanges import exchange_of
from tests.builders.packets import SYN
from tests.builders.plant import BEGINS_NS, DEVICE, MASTER, Plant
from tests.builders.rows import KINDS

READ = adu(1, 1, bytes.fromhex("0300000001"))
DATA = adu(1, 1, bytes.fromhex("03020007"))


def events(plant: Plant) -> list[dict[str, Any]]:
    found = exchange_of(plant).events.tolist()
    return [
        {"kind": KINDS[e[c.E_KIND]], "side": e[c.E_SIDE], "seconds": (e[c.E_TIME_NS] - BEGINS_NS) / 1e9,
         "frame": e[c.E_FRAME], "connection": e[c.E_CONNECTION], "amount": e[c.E_AMOUNT],
         "from": e[c.E_FROM_NS]}
        for e in found
    ]  # fmt: skip


def test_handshake() -> None:
    """A handshake's end tells the way to the device and back, and to the master and back."""
    plant = Plant()
    connection = plant.connection()
    connection.segment(MASTER, flags=SYN)
    connection.segment(DEVICE, flags=SYN | 0x10, wait=0.002)
    connection.segment(MASTER, wait=0.0005)
    found = events(plant)
    assert [(e["kind"], e["side"]) for e in found] == [
        ("opening", MASTER), ("accepted", DEVICE), ("acknowledged", MASTER)
    ]  # fmt: skip
    assert (found[2]["amount"], found[2]["from"]) == (2_000_000, 500_000)


def test_handshake_with_a_syn_sent_again() -> None:
    """Where a SYN was sent again nobody knows which one was answered, so that its ways are not told."""
    plant = Plant()
    connection = plant.connection(first=(999, 4999))
    connection.segment(MASTER, flags=SYN)
    connection.segment(MASTER, flags=SYN, seq=999, wait=1)
    connection.segment(DEVICE, flags=SYN | 0x10, wait=0.002)
    connection.segment(MASTER, wait=0.0005)
    assert [e["kind"] for e in events(plant)] == ["opening", "opening", "accepted"]


def test_plain_acknowledgements_are_no_events() -> None:
    """Acknowledgements of requests are kept with these, not as events."""
    plant = Plant()
    connection = plant.connection().handshake()
    for _ in range(3):
        connection.ask(READ)
        connection.segment(DEVICE)
        connection.answer(DATA)
    assert len(events(plant)) == 3


@pytest.mark.parametrize(("act", "kind"), [("close", "closing"), ("reset", "reset")])
@pytest.mark.parametrize("side", [MASTER, DEVICE])
def test_ends(act: str, kind: str, side: int) -> None:
    """Who closed or reset, when, by which frame of which connection."""
    plant = Plant()
    plant.connection(("192.0.2.11", 50000)).ask(READ)
    connection = plant.connection()
    connection.ask(READ)
    getattr(connection, act)(side, wait=2)
    (end,) = events(plant)
    assert end == {
        "kind": kind,
        "side": side,
        "seconds": 2,
        "frame": 2,
        "connection": 1,
        "amount": 0,
        "from": -1,
    }


def test_unrecorded_bytes() -> None:
    """A gap tells how many bytes, and since when that side had been read."""
    plant = Plant()
    connection = plant.connection().handshake(wait=0)
    connection.ask(READ, wait=1)
    connection.answer(DATA, wait=1)
    connection.answer(DATA, wait=1).lost = True
    connection.segment(MASTER, wait=1)
    connection.segment(DEVICE, wait=1)
    (gap,) = [e for e in events(plant) if e["kind"] == "unrecorded"]
    assert (gap["side"], gap["amount"], gap["from"] - BEGINS_NS, gap["seconds"]) == (DEVICE, 11, 2 * 10**9, 4)


def test_pairs_and_ports() -> None:
    """Every connection is told with its master, endpoint and the master's port."""
    plant = Plant()
    for master, port, device in (("192.0.2.10", 1, "192.0.2.50"), ("192.0.2.10", 2, "192.0.2.50"),
                                 ("192.0.2.11", 3, "192.0.2.50")):  # fmt: skip
        plant.connection((master, port), (device, 502)).ask(READ)
    exchange = exchange_of(plant)
    assert [(p.client, p.server, p.port) for p in exchange.pairs] == [
        ("192.0.2.10", "192.0.2.50", 502),
        ("192.0.2.11", "192.0.2.50", 502),
    ]
    assert exchange.connection_pair.tolist() == [0, 0, 1]
    assert exchange.connection_port.tolist() == [1, 2, 3]
