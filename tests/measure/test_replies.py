"""Reply and service times, statuses and exceptions of a device, on cases reckoned by hand."""

from mbsniff.measure import Quantiles
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, device_of, figures_of, poll
from tests.builders.plant import Plant

MS = 1_000_000


def in_ms(found: Quantiles | None) -> list[float]:
    assert found is not None
    return [found.count, found.median / MS, found.p95 / MS, found.p99 / MS, found.max / MS]


def test_reply_times() -> None:
    """Nearest ranks over all answered requests; late ones too, missing ones not."""
    plant = Plant()
    connection = plant.connection()
    for number in range(1, 11):
        poll(connection, [number], reply_s=number / 100, first=number)
    poll(connection, [11], reply_s=None, first=50)
    poll(connection, [12], first=60, reply_s=0.2)
    assert in_ms(device_of(plant).reply) == [11, 60, 200, 200, 200]


def test_nothing_answered() -> None:
    """Without a reply there is no reply time and no service time."""
    plant = Plant()
    poll(plant.connection(), [1, 2], reply_s=None)
    device = device_of(plant)
    assert (device.reply, device.service, device.answered) == (None, None, 0)


def test_service_behind_a_queue() -> None:
    """Service begins with the endpoint's previous reply, of whichever unit and connection."""
    plant = Plant()
    one, other = plant.connection(), plant.connection(("192.0.2.11", 49152))
    at(plant, 1)
    one.ask(adu(1, 1, READ))
    other.ask(adu(1, 2, READ), wait=0.1)
    one.answer(adu(1, 1, DATA), wait=0.3)
    other.answer(adu(1, 2, DATA), wait=0.2)
    first, second = figures_of(plant).devices
    assert (in_ms(first.service)[1], in_ms(second.service)[1]) == (400, 200)
    assert (in_ms(first.reply)[1], in_ms(second.reply)[1]) == (400, 500)


def test_service_of_replies_that_overtake() -> None:
    """Replies count in the order recorded, whatever the order of their requests; orphans count as well."""
    plant = Plant()
    connection = plant.connection()
    at(plant, 1)
    connection.ask(adu(1, 1, READ))
    connection.ask(adu(2, 1, READ), wait=0.01)
    connection.answer(adu(2, 1, DATA), wait=0.1)
    connection.answer(adu(9, 1, DATA), wait=0.1)
    connection.answer(adu(1, 1, DATA), wait=0.05)
    assert in_ms(device_of(plant).service) == [2, 50, 100, 100, 100]


def test_service_after_a_misaddressed_reply() -> None:
    """A reply under another unit kept the endpoint busy all the same."""
    plant = Plant()
    connection = plant.connection()
    at(plant, 1)
    connection.ask(adu(1, 1, READ))
    connection.ask(adu(2, 1, READ), wait=0.01)
    connection.answer(adu(1, 9, DATA), wait=0.1)
    connection.answer(adu(2, 1, DATA), wait=0.02)
    assert in_ms(device_of(plant).service) == [1, 20, 20, 20, 20]


def test_counts() -> None:
    """Statuses, functions, block sizes and exceptions are counted over the device's requests."""
    plant = Plant()
    connection = plant.connection().handshake()
    poll(connection, [1, 2])
    poll(connection, [3], request=bytes.fromhex("030000000a"), reply=b"\x83\x02", first=10)
    poll(connection, [4], request=bytes.fromhex("0100000010"), reply=b"\x01\x02\x00\x00", first=11)
    poll(connection, [5], request=bytes.fromhex("0600010007"), reply=bytes.fromhex("0600010007"), first=12)
    poll(connection, [6], request=bytes.fromhex("170000000200320001020007"), reply=b"\x97", first=13)
    poll(connection, [7], request=b"\x03\x00", reply=b"\x83\x03", first=14)
    poll(connection, [8], reply_s=None, first=15)
    connection.answer(adu(99, 1, b"\x83\x06"))
    device = device_of(plant)
    assert (device.requests, device.answered, device.reads) == (8, 7, 7)
    assert device.functions == {1: 1, 3: 5, 6: 1, 23: 1}
    assert device.block_sizes == {1: {16: 1}, 3: {1: 3, 10: 1}, 23: {2: 1}}
    assert device.exceptions == {0: 1, 2: 1, 3: 1}
    assert (device.statuses["open"], device.statuses["orphan"]) == (1, 1)
