"""Server ports found by requests and their replies; what only looks like Modbus is not taken."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from mbsniff.capture import open_recording
from mbsniff.exchange import read_exchange
from mbsniff.exchange.read import AUTO
from mbsniff.wire.ports import PortFinder, PortSearch
from tests.builders.adus import adu, pdus
from tests.builders.measured import DATA, READ
from tests.builders.packets import Link
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.recorder import recorded, write
from tests.builders.rows import batch_of
from tests.builders.serial import Ends, datagram, rtu
from tests.builders.tunnels import vxlan

Talk = Callable[[int], tuple[bytes, bytes]]


def mbap(number: int) -> tuple[bytes, bytes]:
    return adu(number, 1, READ), adu(number, 1, DATA)


def serial(number: int) -> tuple[bytes, bytes]:
    return rtu(number % 3, READ), rtu(number % 3, DATA)


def spoken(talk: Talk, port: int, count: int = 8, plant: Plant | None = None) -> Plant:
    """Requests and replies by TCP to a port."""
    plant = plant or Plant()
    link = plant.connection(device=("192.0.2.50", port)).handshake()
    for number in range(count):
        asked, replied = talk(number)
        link.ask(asked, wait=0.1)
        link.answer(replied)
        link.segment(MASTER)
    return plant


def datagrams(talk: Talk, port: int, count: int = 8) -> Plant:
    plant = Plant()
    ends: Ends = (("192.0.2.10", 49152), ("192.0.2.50", port))
    for number in range(count):
        asked, replied = talk(number)
        datagram(plant, ends, asked, wait=0.1)
        datagram(plant, (ends[1], ends[0]), replied, wait=0.01)
    return plant


def search(plant: Plant, stated: tuple[int, ...] = (), link: Link | None = None) -> PortSearch:
    finder = PortFinder(compiled=False)
    finder.take(batch_of(recorded(plant.wire, link or Link())))
    return finder.result(stated)


@pytest.mark.parametrize(
    ("plant", "way"),
    [
        (spoken(mbap, 5020), "TCP"),
        (spoken(serial, 5020), "TCP, serial framing"),
        (datagrams(mbap, 5020), "UDP"),
        (datagrams(serial, 5020), "UDP, serial framing"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_found_whatever_the_way(plant: Plant, way: str) -> None:
    """The port is found, and how many exchanges speak for it; 502 is read as well."""
    made = search(plant)
    assert [(each.port, each.exchanges) for each in made.found] == [(5020, {way: 8})]
    assert made.ports == (502, 5020)
    assert not made.refused


def test_several_ports() -> None:
    """Each that is spoken at, in order; stated ones stay, and then 502 is not read unasked."""
    plant = spoken(mbap, 5020)
    spoken(serial, 4001, plant=plant)
    assert search(plant).ports == (502, 4001, 5020)
    assert search(plant, (777,)).ports == (777, 4001, 5020)


def test_a_few_exchanges_are_not_enough() -> None:
    """Three could be chance."""
    assert not search(spoken(mbap, 5020, 3)).found
    assert search(spoken(mbap, 5020, 4)).found


def test_replies_that_are_none() -> None:
    """Another identifier, unit or function, a length that does not fit: no exchange."""
    for reply in (adu(9999, 1, DATA), adu(1, 2, DATA), adu(1, 1, b"\x04\x02\0\x07"), adu(1, 1, DATA + b"\0")):
        assert not search(spoken(lambda number, r=reply: (adu(1, 1, READ), r), 5020)).found  # type: ignore[misc]


def test_echoes_alone_do_not_tell_who_asked() -> None:
    """Single writes are repeated byte for byte; a read beside them tells."""

    def write_single(number: int) -> tuple[bytes, bytes]:
        return (adu(number, 1, bytes.fromhex("0600010003")),) * 2

    plant = spoken(write_single, 5020)
    assert not search(plant).found
    assert [each.port for each in search(spoken(mbap, 5020, plant=plant)).found] == [5020]


def zeros(number: int) -> tuple[bytes, bytes]:
    return bytes(12), bytes(12)


def tls(number: int) -> tuple[bytes, bytes]:
    """Records of application data (RFC 8446, 5.1)."""
    drawn = random.Random(number)
    head = b"\x17\x03\x03\x00\x20"
    return head + drawn.randbytes(32), head + drawn.randbytes(32)


def framed(number: int) -> tuple[bytes, bytes]:
    """A header like MBAP's, with another meaning: the replies count on for themselves."""
    return adu(number, 1, READ), adu(number + 1000, 1, READ)


def random_bytes(number: int) -> tuple[bytes, bytes]:
    drawn = random.Random(number)
    return drawn.randbytes(drawn.randint(1, 60)), drawn.randbytes(drawn.randint(1, 60))


@pytest.mark.parametrize("talk", [zeros, tls, framed, random_bytes])
def test_other_protocols(talk: Talk) -> None:
    """Neither zeros, nor TLS, nor a header that looks like it."""
    assert not search(spoken(talk, 802, 60)).found
    assert not search(datagrams(talk, 802, 60)).found


@pytest.mark.parametrize("talk", [zeros, tls, random_bytes])
def test_another_protocol_at_port_502(talk: Talk) -> None:
    """It is not read as Modbus then, and that is said."""
    made = search(spoken(talk, 502, 60, spoken(mbap, 5020)))
    assert made.ports == (5020,)
    assert made.refused


def test_beside_a_protocol_that_speaks_much_more() -> None:
    """Other flows do not push requests out before their replies come."""
    plant = Plant()
    drawn = random.Random(1)
    link = plant.connection(device=("192.0.2.50", 5020))
    for number in range(20):
        link.ask(adu(number, 1, READ), wait=0.1)
        for port in range(30):
            other = plant.connection(("192.0.2.11", 50000 + port), ("192.0.2.99", 80))
            other.segment(drawn.choice((MASTER, DEVICE)), drawn.randbytes(100))
        link.answer(adu(number, 1, DATA))
    assert [each.port for each in search(plant).found] == [5020]


def test_within_tunnels() -> None:
    """Frames are unwrapped for it."""
    plant = spoken(mbap, 5020)
    records = [
        (t, wrapped, len(wrapped))
        for n, (t, data, _) in enumerate(recorded(plant.wire))
        for wrapped in vxlan(data, n)
    ]
    finder = PortFinder(compiled=False)
    finder.take(batch_of(records))
    assert [each.port for each in finder.result(()).found] == [5020]


@pytest.mark.parametrize("batch_rows", [1, 7, 4096])
def test_the_frames_looked_at_are_read_too(tmp_path: Path, batch_rows: int) -> None:
    """The same transactions as where the port was stated, whatever the batches."""
    path = write(
        tmp_path / "made.pcap", spoken(lambda n: (adu(n, 1, READ), adu(n, 1, pdus(3, 0, 1, n)[1])), 5020)
    )
    found = []
    for ports in ((5020,), (AUTO,)):
        with open_recording([str(path)], batch_rows=batch_rows) as recording:
            exchange, facts = read_exchange(recording, compiled=False, ports=ports)
        found.append(
            (exchange.request_ns.tolist(), exchange.status.tolist(), facts.runs.tolist(), facts.frames)
        )
    assert found[0] == found[1]
    assert facts.port_search is not None and facts.port_search.frames == facts.frames
