"""TCP put in order: data sent again, overlapping, swapped or lost, and how long a gap is waited for.

Sequence numbers: RFC 9293, 3.4 and 3.10.7; retransmission timers: RFC 6298.
"""

import pytest

from mbsniff.wire.reader import MessageReader
from tests.builders.adus import adu
from tests.builders.packets import ACK
from tests.builders.plant import DEVICE, MASTER, Connection, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import batch_of, rows_of

READ = bytes.fromhex("0300000001")
DATA = bytes.fromhex("03020007")


def opened(first: tuple[int, int] = (999, 4999)) -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection().handshake(first, wait=0)


def request(number: int) -> bytes:
    return adu(number, 1, READ)


def reply(number: int) -> bytes:
    return adu(number, 1, DATA)


def test_sent_again() -> None:
    """Data seen before is no second message, but an event with its bytes and time."""
    plant, connection = opened()
    connection.ask(request(1))
    connection.again(MASTER, wait=0.2)
    connection.answer(reply(1))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("reply", 1)]
    (again,) = rows.of("again")
    assert (again["side"], again["amount"], again["sequence"], again["seconds"]) == (MASTER, 12, 1000, 0.2)


@pytest.mark.parametrize("old", [1, 5, 12])
def test_overlapping_segment(old: int) -> None:
    """Of a segment that repeats bytes and goes on, only what is new counts."""
    plant, connection = opened()
    connection.ask(request(1))
    repeated = request(1)[12 - old :]
    connection.segment(MASTER, repeated + request(2), seq=connection.next[MASTER] - old)
    connection.next[MASTER] += 12
    connection.ask(request(3))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 2), ("request", 3)]
    assert [row["amount"] for row in rows.of("again")] == [old]


@pytest.mark.parametrize("back", [1, 2, 3])
def test_swapped_by_the_recorder(back: int) -> None:
    """In whatever order frames were recorded, both directions are read in the order of what happened."""
    plant, connection = opened()
    for number in range(3):
        connection.ask(request(number), wait=0.001)
        connection.answer(reply(number), wait=0.001).back = back
    rows = rows_of(plant)
    assert rows.messages == [(kind, n) for n in range(3) for kind in ("request", "reply")]
    assert rows.counters.unrecorded_bytes == 0


def test_completion_of_a_swapped_message() -> None:
    """A message is seen when its last missing byte is, and so is what its side sent behind it."""
    plant, connection = opened()
    whole = request(1)
    connection.next[MASTER] += 6
    connection.segment(MASTER, whole[6:] + request(2), wait=1)
    connection.segment(MASTER, whole[:6], seq=1000, wait=0.5)
    found = rows_of(plant).of("request")
    assert [(row["identifier"], row["seconds"], row["frame"]) for row in found] == [(1, 1.5, 4), (2, 1.5, 4)]


def test_other_side_is_not_later() -> None:
    """A reply that waited for its request only because the recorder swapped them keeps its own time."""
    plant, connection = opened()
    connection.ask(request(1), wait=1)
    connection.answer(reply(1), wait=0.25).back = 1
    found = rows_of(plant).of("request", "reply")
    assert [(row["kind"], row["seconds"], row["frame"]) for row in found] == [
        ("request", 1.25, 4),
        ("reply", 1.0, 3),
    ]


@pytest.mark.parametrize("first", [2**32 - 1, 2**32 - 6, 2**32 - 13, 2**31 - 6])
def test_sequence_numbers_wrap(first: int) -> None:
    """After 2**32 - 1 follows 0."""
    plant, connection = opened((first, first))
    for number in range(4):
        connection.ask(request(number))
        connection.answer(reply(number))
        connection.again(MASTER, wait=0.2)
    rows = rows_of(plant)
    assert rows.messages == [(kind, n) for n in range(4) for kind in ("request", "reply")]
    assert (len(rows.of("again")), rows.counters.unrecorded_bytes) == (4, 0)


def test_reply_lost_by_the_recorder() -> None:
    """A reply that the master acknowledges but the recording lacks is unrecorded, between two moments."""
    plant, connection = opened()
    connection.ask(request(1), wait=1)
    connection.answer(reply(1), wait=0.5)
    connection.ask(request(2), wait=0.5)
    connection.answer(reply(2), wait=0.5).lost = True
    connection.ask(request(3), wait=0.5)
    connection.answer(reply(3), wait=0.5)
    rows = rows_of(plant)
    assert [n for kind, n in rows.messages] == [1, 1, 2, 3, 3]
    (lost,) = rows.of("unrecorded")
    assert (lost["side"], lost["amount"], lost["from"], lost["seconds"]) == (DEVICE, 11, 1.5, 3.0)
    assert rows.kinds[-3:] == ["unrecorded", "request", "reply"]


def frames_until_given_up(acknowledged: bool, step_s: float) -> float:
    """Seconds from the first segment behind a gap to the frame with which the gap counts as unrecorded."""
    plant, connection = opened()
    connection.ask(request(1)).lost = True
    for number in range(2, 40):
        connection.ask(request(number), wait=step_s)
        if acknowledged:
            connection.segment(DEVICE)
        if _is_given_up(plant):
            return step_s * (number - 2)
    return -1


def _is_given_up(plant: Plant) -> bool:
    """Whether the gap is told before the recording's end makes it so."""
    reader = MessageReader(compiled=False)
    for _ in reader.feed(batch_of(recorded(plant.wire)), 0):
        pass
    return reader.counters.unrecorded_bytes > 0


def test_proven_gap_is_given_up_after_a_second() -> None:
    """What the receiver acknowledged will not be sent again: the gap counts after more than 1 s."""
    assert frames_until_given_up(acknowledged=True, step_s=0.25) == 1.25


def test_unproven_gap_is_waited_for() -> None:
    """What nobody acknowledged may be sent again until the timer has backed off to 60 s (RFC 6298, 2.4)."""
    assert frames_until_given_up(acknowledged=False, step_s=2.0) == 62.0


def test_at_most_32_segments_wait() -> None:
    """Behind a gap no more than 32 segments are held back."""
    assert frames_until_given_up(acknowledged=False, step_s=0.001) == pytest.approx(0.032)


def test_gap_at_the_end() -> None:
    """When the recording ends, what is missing is unrecorded and what waited is read."""
    plant, connection = opened()
    connection.ask(request(1)).lost = True
    connection.ask(request(2))
    rows = rows_of(plant)
    assert rows.messages == [("request", 2)]
    assert rows.counters.unrecorded_bytes == 12


def test_long_segments_wait_whole() -> None:
    """A segment that is held back in pieces gives the messages of the whole."""
    plant, connection = opened()
    connection.ask(request(0)).lost = True
    connection.ask(b"".join(request(number) for number in range(1, 120)), wait=0.1)
    connection.segment(MASTER, request(0), seq=1000, wait=0.1)
    rows = rows_of(plant)
    assert rows.messages == [("request", number) for number in range(120)]
    assert {row["seconds"] for row in rows.of("request")} == {0.2}


def test_only_one_direction_recorded() -> None:
    """Where a side was never heard, acknowledgements alone show what it sent, at once."""
    plant = Plant()
    connection = plant.connection()
    for number in range(3):
        connection.ask(request(number), wait=1)
        connection.answer(reply(number)).lost = True
    connection.segment(MASTER)
    rows = rows_of(plant)
    assert rows.messages == [("request", 0), ("request", 1), ("request", 2)]
    assert [(row["side"], row["amount"]) for row in rows.of("unrecorded")] == [(DEVICE, 11)] * 3
    assert rows.kinds == ["request", "unrecorded", "request", "unrecorded", "request", "unrecorded"]


@pytest.mark.parametrize("payload", [b"", b"\0"])
def test_keep_alive_probes(payload: bytes) -> None:
    """A probe repeats the byte before the next one and is neither data nor a gap (RFC 1122, 4.2.3.6)."""
    plant, connection = opened()
    connection.ask(request(1))
    for side in (MASTER, DEVICE):
        connection.probe(side, payload, wait=10)
        connection.segment(1 - side)
    connection.ask(request(2))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1), ("request", 2)]
    assert [(row["kind"], row["side"]) for row in rows.of("probe", "again", "unrecorded")] == [
        ("probe", MASTER),
        ("probe", DEVICE),
    ]


@pytest.mark.parametrize("payload", [b"", b"\0"])
@pytest.mark.parametrize("probes", [1, 3])
def test_recording_that_begins_with_probes(payload: bytes, probes: int) -> None:
    """Where a probe is the first thing seen, the byte that it repeats is not missing."""
    plant = Plant()
    connection = plant.connection()
    for _ in range(probes):
        connection.probe(MASTER, payload, wait=60)
        connection.segment(DEVICE)
    connection.ask(request(1))
    rows = rows_of(plant)
    assert rows.messages == [("request", 1)]
    assert rows.counters.unrecorded_bytes == 0


def test_bare_acknowledgements() -> None:
    """An acknowledgement without data is told for each request that it is the first to cover."""
    plant, connection = opened()
    connection.ask(request(1), wait=1)
    connection.ask(request(2), wait=0.01)
    connection.segment(DEVICE, flags=ACK, ack=1012, wait=0.01)
    connection.segment(DEVICE, flags=ACK, ack=1024, wait=0.01)
    connection.segment(DEVICE, flags=ACK, ack=1024, wait=0.01)
    connection.ask(request(3), wait=1)
    connection.answer(reply(3))
    told = [(row["sequence"], row["side"]) for row in rows_of(plant).of("acknowledged")]
    assert told == [(5000, MASTER), (1012, DEVICE), (1024, DEVICE)]
