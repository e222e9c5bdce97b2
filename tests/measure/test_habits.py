"""A master's time-out, tries and reconnect delay as they show, and where the recorder sits."""

import pytest

from mbsniff.measure.figures import MasterHabits
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, figures_of, poll
from tests.builders.packets import ACK, SYN
from tests.builders.plant import DEVICE, MASTER, Plant


def habits(plant: Plant) -> list[MasterHabits]:
    (endpoint,) = figures_of(plant).endpoints
    return endpoint.habits


def test_all_is_well() -> None:
    """Where every reply came in time nothing shows of time-outs, tries and reconnecting."""
    plant = Plant()
    poll(plant.connection().handshake(), [1, 2, 3])
    (found,) = habits(plant)
    assert (found.master, found.server, found.port) == ("192.0.2.10", "192.0.2.50", 502)
    assert (found.requests, found.connections) == (3, 1)
    assert (found.timeout_ns, found.tries, found.reconnect_ns) == (None, None, None)


def test_timeout_and_tries() -> None:
    """The time-out is the median wait before the master went on; tries the longest run without a reply."""
    plant = Plant()
    connection = plant.connection()
    poll(connection, [1, 2])
    poll(connection, [3, 4.5, 6.1], reply_s=None, first=20)
    poll(connection, [7.5], first=30)
    (found,) = habits(plant)
    assert (found.timeout_ns, found.tries) == (1_500_000_000, 3)


def test_late_replies_show_the_timeout() -> None:
    """Replies after the master went on show its time-out as well, and count as answered tries."""
    plant = Plant()
    connection = plant.connection()
    for number in range(4):
        connection.ask(adu(number, 1, READ), wait=0.8)
        if number:
            connection.answer(adu(number - 1, 1, DATA), wait=0.2)
    (found,) = habits(plant)
    assert found.timeout_ns == 1_000_000_000


def test_reconnecting() -> None:
    """From a connection's end, by whomever, to the next SYN; SYNs that TCP repeats do not count."""
    plant = Plant()
    connection = plant.connection()
    for first in (1000, 500_000, 900_000):
        connection.handshake((first, first + 50))
        connection.ask(adu(1, 1, READ))
        connection.close(MASTER, wait=1)
        connection.close(DEVICE, wait=0.25)
        plant.wait(2)
    connection.segment(MASTER, flags=SYN, seq=7_000_000)
    connection.segment(MASTER, flags=SYN, seq=7_000_000, wait=1)
    (found,) = habits(plant)
    assert found.reconnect_ns == 2_000_000_000


def test_masters_apart() -> None:
    """Each master's habits are its own."""
    plant = Plant()
    connection = plant.connection()
    poll(connection, [1, 2, 3], reply_s=None)
    connection.reset(DEVICE)
    poll(plant.connection(("192.0.2.11", 49152)), [4, 5])
    assert [(each.master, each.requests, each.tries) for each in habits(plant)] == [
        ("192.0.2.10", 3, 3),
        ("192.0.2.11", 2, None),
    ]


@pytest.mark.parametrize(
    ("to_device_s", "to_master_s", "where"),
    [
        (0.004, 0.001, "masters"),
        (0.001, 0.004, "devices"),
        (0.003, 0.001, "between"),
        (0.001, 0.001, "between"),
    ],
)
def test_vantage(to_device_s: float, to_master_s: float, where: str) -> None:
    """Whoever answers a handshake's frames four times as fast is near."""
    plant = Plant()
    for port in range(3):
        connection = plant.connection(("192.0.2.10", 49152 + port))
        connection.segment(MASTER, flags=SYN, wait=1)
        connection.segment(DEVICE, flags=SYN | ACK, wait=to_device_s)
        connection.segment(MASTER, wait=to_master_s)
    figures = figures_of(plant)
    assert (figures.vantage, figures.handshakes) == (where, 3)


def test_vantage_unknown() -> None:
    """Without a handshake nobody can tell."""
    plant = Plant()
    poll(plant.connection(), [1, 2])
    figures = figures_of(plant)
    assert (figures.vantage, figures.handshakes) == ("unknown", 0)
