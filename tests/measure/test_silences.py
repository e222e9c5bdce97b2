"""Silences on cases reckoned by hand: lengths, certain and possible, open ends, and what feeds a watchdog."""

import pytest

from mbsniff.measure import Silence
from mbsniff.measure import silences as module
from mbsniff.site.limits import FedBy, Limits
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, SECOND, at, device_of, figures_of, poll
from tests.builders.plant import BEGINS_NS, MASTER, Connection, Plant

THREE_SECONDS = Limits(watchdog_ns=3 * SECOND, tolerance=0.1)
WRITE, WRITTEN = bytes.fromhex("100028000102"), bytes.fromhex("1000280001")


def opened(master: str = "192.0.2.10") -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection((master, 49152))


def lengths(silence: Silence | None) -> tuple[float, float, float | None]:
    """(simple, shortest possible, longest possible) in seconds."""
    assert silence is not None
    longest = silence.longest_ns / SECOND if silence.longest_ns is not None else None
    return silence.length_ns / SECOND, silence.shortest_ns / SECOND, longest


def test_three_lengths() -> None:
    """Between first sightings; from the latest delivery on; from the last to the next certain feed."""
    plant, connection = opened()
    poll(connection, [0, 1, 2, 6, 7])
    silences = device_of(plant, THREE_SECONDS, until_s=9).silences
    assert lengths(silences.longest) == (4, 3.9, 4.1)
    assert silences.longest and silences.longest.from_ns == BEGINS_NS + 2 * SECOND
    assert (silences.feeds, silences.certain, silences.possible) == (5, 1, 0)
    assert [lengths(each) for each in silences.beyond] == [(4, 3.9, 4.1)]
    assert silences.start_ns == 0
    assert lengths(silences.end) == (2, 1.9, 2)
    assert silences.end_is_due is None


def test_earliest_of_equals() -> None:
    """Of several silences of the same length the earliest is the longest."""
    plant, connection = opened()
    poll(connection, [0, 2, 3, 5])
    longest = device_of(plant).silences.longest
    assert longest and longest.from_ns == BEGINS_NS


@pytest.mark.parametrize(("gap_ns", "certain"), [(3_400_000_000, 0), (3_400_000_001, 1)])
def test_tolerance(gap_ns: int, certain: int) -> None:
    """Due for certain is what exceeds timeout and tolerance, by however little: 3.3 s of a reply at 0.1 s."""
    plant, connection = opened()
    poll(connection, [0])
    plant.now_ns = BEGINS_NS + gap_ns
    connection.ask(adu(2, 1, READ))
    connection.answer(adu(2, 1, DATA), wait=0)
    silences = device_of(plant, THREE_SECONDS).silences
    assert (silences.certain, silences.possible) == (certain, 1 - certain)


def test_only_possible() -> None:
    """Requests that nobody answers may have fed: between two that were answered, one possible silence."""
    plant, connection = opened()
    poll(connection, [0, 1])
    poll(connection, [2, 3, 4], reply_s=None, first=50)
    poll(connection, [5], first=90)
    silences = device_of(plant, THREE_SECONDS).silences
    assert (silences.certain, silences.possible) == (0, 1)
    assert lengths(silences.longest) == (1, pytest.approx(0.9), 1.1)
    (possible,) = silences.beyond
    assert (lengths(possible), possible.certain) == ((4, 3.9, 4.1), False)


def test_certain_hides_possible() -> None:
    """Between two certain feeds a silence due for certain is not counted once more as possible."""
    plant, connection = opened()
    poll(connection, [0])
    poll(connection, [1, 6], reply_s=None, first=50)
    poll(connection, [7], first=90)
    silences = device_of(plant, THREE_SECONDS).silences
    assert (silences.certain, silences.possible) == (1, 0)
    assert lengths(silences.longest) == (5, 5, 7.1)


def test_delivery_of_an_earlier_feed() -> None:
    """A request that was overtaken may be delivered after the newer one: the silence begins then."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.11", 49152))
    at(plant, 0)
    connection.ask(adu(1, 1, READ))
    poll(other, [1])
    at(plant, 5)
    connection.answer(adu(1, 1, DATA), wait=0)
    poll(other, [8])
    silences = device_of(plant, THREE_SECONDS).silences
    assert lengths(silences.longest) == (7, 3, 7.1)
    assert (silences.certain, silences.possible) == (
        1,
        0,
    )  # delivered by 4.4 s it comes too early, later too late


def test_reply_that_overtakes() -> None:
    """The longest possible silence ends with the earliest reply, also where it is to a newer request."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.11", 49152))
    poll(other, [0])
    at(plant, 2)
    connection.ask(adu(1, 1, READ))
    poll(other, [2.5], first=9)
    at(plant, 7)
    connection.answer(adu(1, 1, DATA), wait=0)
    silences = device_of(plant, THREE_SECONDS).silences
    assert lengths(silences.longest) == (2, 1.9, 2.6)
    assert (silences.certain, silences.possible) == (0, 0)


@pytest.mark.parametrize(
    ("reply", "unit", "longest"),
    [("83 06", 1, 3.1), ("83 0A", 1, 3.1), ("03 02 0007", 2, 3.1), ("03 02 0007", 1, 2.1)],
)
def test_delivered_but_not_confirmed(reply: str, unit: int, longest: float) -> None:
    """Exceptions and replies of another unit show delivery, not that the watchdog was fed."""
    plant, connection = opened()
    poll(connection, [0, 1])
    connection.ask(adu(8, 1, READ), wait=0.9)
    connection.answer(adu(8, unit, bytes.fromhex(reply)), wait=0.2)
    poll(connection, [4], first=20)
    assert lengths(device_of(plant).silences.longest) == (2, 1.8, longest)


@pytest.mark.parametrize(("code", "longest"), [("02", 2.1), ("06", 2.1), ("0A", 3.1), ("0B", 3.1)])
def test_exceptions_that_feed(code: str, longest: float) -> None:
    """Where the site says so an exception confirms a feed, but never one that a gateway made."""
    plant, connection = opened()
    poll(connection, [0, 1])
    poll(connection, [2], reply=bytes.fromhex("83" + code), first=30)
    poll(connection, [4], first=60)
    silences = device_of(plant, Limits(exceptions_feed=True)).silences
    assert lengths(silences.longest) == (2, 1.9, longest)


def test_sent_again_by_tcp() -> None:
    """Without a reply, the latest delivery is when TCP last sent the request."""
    plant, connection = opened()
    poll(connection, [0])
    connection.ask(adu(9, 1, READ), wait=0.9)
    connection.again(MASTER, wait=2)
    poll(connection, [5], first=30)
    assert lengths(device_of(plant).silences.longest) == (4, 2, 5.1)


@pytest.mark.parametrize(
    ("until_s", "due"), [(4.3, None), (4.5, "possible"), (5.8, "possible"), (6, "certain")]
)
def test_open_end(until_s: float, due: str | None) -> None:
    """An open end counts like a silence, as if a feed were confirmed right after it."""
    plant, connection = opened()
    poll(connection, [0, 1])
    poll(connection, [2.5], reply_s=None, first=50)
    silences = device_of(plant, THREE_SECONDS, until_s=until_s).silences
    simple, shortest, longest = lengths(silences.end)
    assert (simple, shortest, longest) == pytest.approx((until_s - 2.5, until_s - 2.5, until_s - 1))
    assert (silences.end_is_due, silences.certain, silences.possible) == (due, 0, 0)


def test_open_end_after_a_certain_silence() -> None:
    """Where a silence since the last certain feed was due for certain, the end is not told once more."""
    plant, connection = opened()
    poll(connection, [0])
    poll(connection, [5], reply_s=None, first=50)
    silences = device_of(plant, THREE_SECONDS, until_s=6).silences
    assert (silences.certain, silences.end_is_due) == (1, None)


def test_nothing_fed() -> None:
    """A device that was never fed has no silences, no open ends and nothing due."""
    plant, connection = opened()
    poll(connection, [0, 1, 2])
    silences = device_of(plant, Limits(SECOND, fed_by=FedBy("write")), until_s=9).silences
    assert (silences.feeds, silences.longest, silences.start_ns, silences.end) == (0, None, None, None)
    assert (silences.certain, silences.end_is_due) == (0, None)


def test_one_feed() -> None:
    """One feed leaves two open silences and no complete one."""
    plant, connection = opened()
    poll(connection, [2])
    plant.wire.insert(0, at(Plant(), 0).connection(device=("192.0.2.98", 80)).segment(0))
    silences = device_of(plant, until_s=9).silences
    assert (silences.feeds, silences.longest, silences.start_ns) == (1, None, 2 * SECOND)
    assert lengths(silences.end) == (7, 6.9, 7)


FEEDS = [
    (FedBy(), 6),
    (FedBy("reply"), 5),
    (FedBy("read"), 4),
    (FedBy("read", ((0, 0),)), 4),
    (FedBy("read", ((1, 9),)), 0),
    (FedBy("write"), 3),
    (FedBy("write", ((40, 41),)), 2),
    (FedBy("write", ((42, 50),)), 1),
    (FedBy("write", ((0, 9), (50, 99))), 1),
    (FedBy("write", change=True), 1),
    (FedBy("request", ((40, 41),)), 2),
    (FedBy(master="192.0.2.11"), 1),
    (FedBy("write", master="192.0.2.10"), 3),
]


@pytest.mark.parametrize(("fed_by", "feeds"), FEEDS, ids=[str(each) for each, _ in FEEDS])
def test_what_feeds(fed_by: FedBy, feeds: int) -> None:
    """The site says which requests restart a watchdog: by function, addresses, change of value, master."""
    plant, connection = opened()
    poll(connection, [0, 1])
    poll(connection, [2], request=WRITE + b"\0\1", reply=WRITTEN, first=30)
    poll(connection, [3], request=WRITE + b"\0\2", reply=WRITTEN, first=40)
    both = bytes.fromhex("17 0000 0001 0032 0001 02 0007")
    poll(connection, [4], request=both, reply=bytes.fromhex("9702"), first=50)
    poll(plant.connection(("192.0.2.11", 49152)), [5])
    assert device_of(plant, Limits(fed_by=fed_by)).silences.feeds == feeds


def test_each_master_by_itself() -> None:
    """One master's silence is told although another kept the device fed."""
    plant, connection = opened()
    poll(plant.connection(("192.0.2.11", 49152)), [0.5, 1.5, 2.5, 3.5, 4.5, 5.5])
    poll(connection, [0, 1, 6])
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    device = device_of(plant, THREE_SECONDS)
    assert device.silences.certain == 0
    told = {each.master: (lengths(each.silence)[:2], each.beyond) for each in device.master_silences}
    assert told == {"192.0.2.10": ((5, 4.9), 1), "192.0.2.11": ((1, 0.9), 0)}


def test_a_master_alone() -> None:
    """With one master only, there is nothing to tell apart."""
    plant, connection = opened()
    poll(connection, [0, 1, 6])
    assert device_of(plant, THREE_SECONDS).master_silences == []


def test_very_many_silences(monkeypatch: pytest.MonkeyPatch) -> None:
    """All silences beyond the timeout are counted, though only so many are listed."""
    monkeypatch.setattr(module, "MOST_LISTED", 3)
    plant, connection = opened()
    poll(connection, [0, 5, 10, 15, 20, 25])
    silences = device_of(plant, THREE_SECONDS).silences
    assert (silences.certain, len(silences.beyond)) == (5, 3)


def test_orphan_replies_feed_nothing() -> None:
    """A reply without a request restarts no watchdog."""
    plant, connection = opened()
    poll(connection, [0])
    connection.answer(adu(77, 1, DATA), wait=2)
    poll(connection, [4], first=9)
    device = device_of(plant)
    assert (device.silences.feeds, lengths(device.silences.longest)) == (2, (4, 3.9, 4.1))
    assert device.statuses["orphan"] == 1


def test_devices_apart() -> None:
    """Each unit has silences of its own."""
    plant, connection = opened()
    poll(connection, [0, 1, 2, 3], unit=1)
    poll(connection, [4, 9], unit=2, first=20)
    found = {each.key: lengths(each.silences.longest)[0] for each in figures_of(plant).devices}
    assert found == {"192.0.2.50:502/1": 1, "192.0.2.50:502/2": 5}
