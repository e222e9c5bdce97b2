"""Polls: what makes one, how they are sorted, and when one is cyclic, on change or sporadic."""

from itertools import accumulate

import pytest

from mbsniff.measure import PollFigures
from tests.builders.adus import adu
from tests.builders.measured import SECOND, device_of, poll
from tests.builders.plant import Plant


def only_poll(times_s: list[float], requests: list[str] | None = None) -> PollFigures:
    plant = Plant()
    connection = plant.connection().handshake()
    for number, seconds in enumerate(times_s):
        request = bytes.fromhex(requests[number] if requests else "0300000001")
        poll(connection, [seconds], request=request, reply_s=None, first=number)
    (found,) = device_of(plant).polls
    return found


def times_of(intervals: list[float]) -> list[float]:
    return list(accumulate([0.0, *intervals]))


@pytest.mark.parametrize(
    ("intervals", "kind"),
    [
        ([1, 1, 1], "sporadic"),
        ([1, 1, 1, 1], "cyclic"),
        ([1, 1, 1, 0.5, 1.5], "cyclic"),
        ([1, 1, 1, 1.500000001], "sporadic"),
        ([1, 1, 1, 0.499999999], "sporadic"),
        ([1] * 4 + [9], "cyclic"),
        ([1] * 3 + [9], "sporadic"),
        ([1] * 8 + [9, 9], "cyclic"),
        ([1] * 7 + [9, 9], "sporadic"),
    ],
)
def test_cyclic(intervals: list[float], kind: str) -> None:
    """At least 4 intervals, at least 8 in 10 of which lie within 0.5 to 1.5 times the median."""
    assert only_poll(times_of(intervals)).kind == kind


def test_period() -> None:
    """The period's nearest ranks are those of the intervals between requests."""
    period = only_poll(times_of([1, 1.1, 0.9, 1, 1.2])).period
    assert period is not None
    found = [period.count, period.p5, period.median, period.p95, period.max]
    assert found == [5, 900_000_000, SECOND, 1_200_000_000, 1_200_000_000]


def write(value: int) -> str:
    return f"060001{value:04x}"


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ([1, 2], "sporadic"),
        ([1, 2, 3], "on change"),
        ([1, 2, 2], "sporadic"),
        ([*range(10), 9], "on change"),
        ([*range(9), 8, 8], "sporadic"),
    ],
)
def test_on_change(values: list[int], kind: str) -> None:
    """Not cyclic, at least 3 writes, 9 in 10 of which, after the first, bring another value."""
    times = [float(number**3) for number in range(len(values))]
    assert only_poll(times, [write(value) for value in values]).kind == kind


def test_cyclic_goes_before_on_change() -> None:
    """A cyclic write of new values is cyclic."""
    assert only_poll([0, 1, 2, 3, 4], [write(value) for value in range(5)]).kind == "cyclic"


def test_reads_are_never_on_change() -> None:
    """Only writes can be on change."""
    assert only_poll([0, 1, 8, 27, 64]).kind == "sporadic"


def test_what_makes_a_poll() -> None:
    """Master, unit, function and addresses make a poll; masters are sorted as numbers."""
    plant = Plant()
    asked = [
        ("192.0.2.9", "0300000002"), ("192.0.2.10", "0400000001"), ("192.0.2.10", "0300050001"),
        ("192.0.2.10", "0300050001"), ("192.0.2.10", "0300000001"),
        ("192.0.2.10", "170000000100320001020007"), ("192.0.2.10", "1700000001003200020400070007"),
        ("192.0.2.10", "07"), ("192.0.2.10", "0300"),
    ]  # fmt: skip
    connections = {
        master: plant.connection((master, 49152)).handshake() for master in ("192.0.2.9", "192.0.2.10")
    }
    for number, (master, pdu) in enumerate(asked):
        connections[master].ask(adu(number, 1, bytes.fromhex(pdu)), wait=1)
    found = [
        (p.master[8:], p.function, p.start, p.quantity, p.write_start, p.write_quantity, p.count)
        for p in device_of(plant).polls
    ]
    assert found == [
        ("9", 3, 0, 2, None, None, 1),
        ("10", 3, None, None, None, None, 1),
        ("10", 3, 0, 1, None, None, 1),
        ("10", 3, 5, 1, None, None, 2),
        ("10", 4, 0, 1, None, None, 1),
        ("10", 7, None, None, None, None, 1),
        ("10", 23, 0, 1, 50, 1, 1),
        ("10", 23, 0, 1, 50, 2, 1),
    ]


def test_fastest_feeding_poll() -> None:
    """The cyclic feeding poll of the shortest median period."""
    plant = Plant()
    connection = plant.connection()
    poll(connection, [0, 2, 4, 6, 8, 10], reply_s=0)
    poll(connection, [0.5, 3.5, 6.5, 9.5, 12.5], request=bytes.fromhex("0400000001"), reply_s=None, first=20)
    poll(connection, [20, 20.1, 20.2], request=bytes.fromhex("0200000001"), reply_s=None, first=40)
    plant.wire.sort(key=lambda sighting: sighting.time_ns)
    fastest = device_of(plant).fastest_feeding_poll
    assert fastest and (fastest.function, fastest.period and fastest.period.median) == (3, 2 * SECOND)
