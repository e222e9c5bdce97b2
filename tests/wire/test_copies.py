"""Frames that a mirror port delivers twice, told from what TCP sends again."""

import pytest

from tests.builders.adus import adu
from tests.builders.packets import ACK, PSH
from tests.builders.plant import BEGINS_NS, DEVICE, MASTER, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import rows_of

READ = adu(1, 1, bytes.fromhex("0300000001"))
DATA = adu(1, 1, bytes.fromhex("03020007"))
MILLISECOND = 1_000_000


@pytest.mark.parametrize(("after_ns", "copies"), [(0, 1), (10 * MILLISECOND, 1), (10 * MILLISECOND + 1, 0)])
def test_identical_within_ten_milliseconds(after_ns: int, copies: int) -> None:
    """An identical frame within 10 ms is a copy; later it is TCP that sends again."""
    plant = Plant()
    plant.connection().handshake().ask(READ).copies = (after_ns,)
    rows = rows_of(plant)
    assert rows.counters.repeated_frames == copies
    assert (len(rows.of("request")), len(rows.of("again"))) == (1, 1 - copies)


def test_another_identification() -> None:
    """At once, but with another IP identification, it is TCP that sends again (RFC 791, 3.2)."""
    plant = Plant()
    connection = plant.connection().handshake()
    connection.ask(READ)
    connection.again(MASTER, wait=0.001)
    rows = rows_of(plant)
    assert (rows.counters.repeated_frames, len(rows.of("again"))) == (0, 1)


def test_every_frame_twice() -> None:
    """Where a port is mirrored in both directions every frame comes twice, acknowledgements and SYNs too."""
    plant = Plant()
    connection = plant.connection().handshake()
    connection.ask(READ)
    connection.segment(DEVICE)
    connection.answer(DATA)
    connection.segment(MASTER)
    single = rows_of(plant)
    for sighting in plant.wire:
        sighting.copies = (1000,)
    double = rows_of(plant)
    assert double.counters.repeated_frames == len(plant.wire)
    assert [row | {"frame": 0} for row in double.found] == [row | {"frame": 0} for row in single.found]


def test_copies_behind_other_frames() -> None:
    """A copy is known although three other frames of its side came before it; not after four."""
    plant = Plant()
    connection = plant.connection().handshake()
    connection.ask(READ).copies = (2 * MILLISECOND,)
    for _ in range(3):
        connection.ask(READ, wait=0.0004)
    assert rows_of(plant).counters.repeated_frames == 1
    connection.ask(READ, wait=0.0004)
    assert rows_of(plant).counters.repeated_frames == 0


def test_what_tells_frames_apart() -> None:
    """Another flag, acknowledgement or length makes another frame, at the same moment and number."""
    plant = Plant()
    connection = plant.connection().handshake()
    for flags, ack, payload in (
        (ACK, 5001, b""),
        (ACK, 5002, b""),
        (ACK | PSH, 5001, b""),
        (ACK | PSH, 5001, b"\0"),
    ):
        connection.ip_ids[MASTER] = 7
        connection.segment(MASTER, payload, flags, ack=ack, advance=False)
    assert rows_of(plant).counters.repeated_frames == 0


def test_clock_that_steps_back() -> None:
    """A copy may bear an earlier time, by up to 10 ms."""
    plant = Plant()
    plant.connection().handshake().ask(READ)
    records = recorded(plant.wire)
    for back, copies in ((10 * MILLISECOND, 1), (11 * MILLISECOND, 0)):
        time_ns, frame, original = records[-1]
        again = [*records, (time_ns - back, frame, original)]
        assert rows_of(again).counters.repeated_frames == copies
    assert records[0][0] == BEGINS_NS
