"""What stands beside a transaction's status: resent, sent again, changed, shape, acknowledged, values."""

import numpy as np
import pytest

from mbsniff.exchange import tracker
from tests.builders.adus import adu
from tests.builders.exchanges import exchange_of, told
from tests.builders.plant import DEVICE, MASTER, Connection, Plant


def opened() -> tuple[Plant, Connection]:
    plant = Plant()
    return plant, plant.connection().handshake()


def marks(plant: Plant) -> list[set[str]]:
    return [one["marks"] for one in told(exchange_of(plant))]


def message(identifier: int, pdu: str, unit: int = 1) -> bytes:
    return adu(identifier, unit, bytes.fromhex(pdu))


@pytest.mark.parametrize(
    ("first", "second", "is_resent"),
    [
        ("03 0000 0001", "03 0000 0001", True),
        ("03 0000 0001", "03 0000 0002", False),
        ("03 0000 0001", "04 0000 0001", False),
        ("06 0001 0007", "06 0001 0007", True),
        ("06 0001 0007", "06 0001 0008", False),
        ("10 0001 0001 02 0007", "10 0001 0001 02 0007", True),
        ("10 0001 0001 02 0007", "10 0001 0001 02 0008", False),
    ],
)
def test_resent_by_the_application(first: str, second: str, is_resent: bool) -> None:
    """The same request as an outstanding one, down to addresses and values, is resent."""
    plant, connection = opened()
    connection.ask(message(1, first), wait=1)
    connection.ask(message(1, second), wait=1)
    assert ("resent" in marks(plant)[1]) == is_resent


def test_resent_needs_an_outstanding_one() -> None:
    """After its reply, after 60 s, or with another identifier or unit, a request is a new one."""
    for reply, wait, identifier, unit in (
        (True, 1, 1, 1),
        (False, 61, 1, 1),
        (False, 1, 2, 1),
        (False, 1, 1, 2),
    ):
        plant, connection = opened()
        connection.ask(message(1, "03 0000 0001"))
        if reply:
            connection.answer(message(1, "03 02 0007"))
        connection.ask(message(identifier, "03 0000 0001", unit), wait=wait)
        assert marks(plant) == [set(), set()]


def test_resent_among_others() -> None:
    """Other requests in between do not hide that one is resent, nor does a write by another connection."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.10", 49999)).handshake()
    connection.ask(message(1, "10 0001 0001 02 0007"), wait=1)
    connection.ask(message(2, "03 0000 0001"), wait=0.01)
    other.ask(message(1, "10 0001 0001 02 0008"), wait=0.01)
    connection.ask(message(1, "10 0001 0001 02 0007"), wait=0.01)
    assert ["resent" in each for each in marks(plant)] == [False, False, False, True]


def test_sent_again_by_tcp() -> None:
    """TCP sending the request's last byte again is marked, and dates its latest delivery while it waits."""
    plant, connection = opened()
    connection.ask(message(1, "03 0000 0001"), wait=1)
    connection.ask(message(2, "03 0000 0001"), wait=0.01)
    connection.again(MASTER, 2, wait=0.2)
    connection.again(MASTER, 2, wait=0.4)
    found = told(exchange_of(plant))
    assert [one["marks"] for one in found] == [{"sent again"}, set()]
    assert [one["reply_s"] for one in found] == [pytest.approx(0.61), 0]


def test_sent_again_after_the_reply() -> None:
    """What TCP sends again once the reply is there, or more than 60 s later, says nothing about delivery."""
    plant, connection = opened()
    connection.ask(message(1, "03 0000 0001"))
    connection.answer(message(1, "03 02 0007"))
    connection.again(MASTER, wait=0.2)
    connection.ask(message(2, "03 0000 0001"))
    connection.again(MASTER, wait=61)
    found = told(exchange_of(plant))
    assert [(one["marks"], one["reply_s"], one["status"]) for one in found] == [
        (set(), 0.01, "answered"),
        (set(), 0, "unanswered"),
    ]


@pytest.mark.parametrize(
    ("values", "changed"),
    [((7, 7, 7), [0, 0, 0]), ((7, 8, 7), [0, 1, 1]), ((7, 7, 8), [0, 0, 1])],
)
@pytest.mark.parametrize("pdu", ["06 0001 {:04x}", "10 0001 0001 02 {:04x}", "0F 0001 0010 02 {:04x}",
                                 "16 0001 {:04x} 0000", "17 0000 0001 0001 0001 02 {:04x}"])  # fmt: skip
def test_changed(values: tuple[int, ...], changed: list[int], pdu: str) -> None:
    """A write of another value than that poll's last one is marked; the first one is not."""
    plant, connection = opened()
    for number, value in enumerate(values):
        connection.ask(message(number, pdu.format(value)), wait=1)
    assert ["changed" in each for each in marks(plant)] == [bool(each) for each in changed]


def test_changed_by_each_master_and_address() -> None:
    """Values are held against those of the same poll only."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.11", 49152)).handshake()
    connection.ask(message(1, "06 0001 0007"), wait=1)
    connection.ask(message(2, "06 0002 0008"), wait=1)
    other.ask(message(1, "06 0001 0009"), wait=1)
    assert marks(plant) == [set(), set(), set()]


def test_changed_in_time_order() -> None:
    """What a connection holds back for want of earlier bytes takes its place by time."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.10", 49999)).handshake()
    connection.ask(message(1, "03 0000 0001")).lost = True
    connection.ask(message(2, "06 0001 0007"), wait=0.1)
    other.ask(message(1, "06 0001 0007"), wait=0.1)
    other.ask(message(2, "06 0001 0008"), wait=0.1)
    found = told(exchange_of(plant))
    assert [(one["value"], one["marks"]) for one in found] == [(7, set()), (7, set()), (8, {"changed"})]


def test_value_table() -> None:
    """Written data are kept once as long as they stay the same."""
    plant, connection = opened()
    written = [
        "10 0001 0002 04 00070008",
        "10 0001 0002 04 00070008",
        "10 0001 0002 04 00070009",
        "06 0005 0042",
    ]
    for number, pdu in enumerate(written):
        connection.ask(message(number, pdu), wait=1)
    exchange = exchange_of(plant)
    assert [one["value"] for one in told(exchange)] == [
        b"\0\x07\0\x08", b"\0\x07\0\x08", b"\0\x07\0\x09", 0x42
    ]  # fmt: skip
    assert exchange.value_table.tolist() == [[0, 4], [4, 4]]
    assert exchange.value_bytes.tobytes() == b"\0\x07\0\x08\0\x07\0\x09"


@pytest.mark.parametrize(
    ("request_pdu", "reply_pdu", "is_wrong"),
    [
        ("03 0000 0001", "03 02 0007", False),
        ("03 0000 0001", "03 04 00070008", True),
        ("03 0000 0001", "03 02 000700", True),
        ("03 0000 0001 00", "83 03", True),
        ("06 0001 0007", "06 0002 0007", True),
        ("10 0001 0001 02 0007", "10 0001 0002", True),
        ("03 0000 0001", "83 02", False),
    ],
)
def test_shape(request_pdu: str, reply_pdu: str, is_wrong: bool) -> None:
    """Request or reply not as the function's format asks is marked."""
    plant, connection = opened()
    connection.ask(message(1, request_pdu))
    connection.answer(message(1, reply_pdu))
    assert marks(plant) == [{"shape"} if is_wrong else set()]


def test_time_to_acknowledgement() -> None:
    """Where the device's TCP acknowledges before it replies, that moment is kept for each request."""
    plant, connection = opened()
    connection.ask(message(1, "03 0000 0001"), wait=1)
    connection.segment(DEVICE, wait=0.02)
    connection.answer(message(1, "03 02 0007"), wait=0.5)
    connection.ask(message(2, "03 0000 0001"), wait=1)
    connection.answer(message(2, "03 02 0007"), wait=0.3)
    connection.ask(message(3, "03 0000 0001"), wait=1)
    connection.ask(message(4, "03 0000 0001"), wait=0.01)
    connection.segment(DEVICE, wait=0.01, ack=(connection.next[MASTER] - 12) % 2**32)
    connection.segment(DEVICE, wait=0.01)
    found = told(exchange_of(plant))
    assert [one["ack_s"] for one in found] == [0.02, None, 0.02, 0.02]
    assert [one["reply_s"] for one in found] == [0.52, 0.3, 0, 0]


def test_reply_recorded_before_its_request() -> None:
    """A reply time is never negative, though the recorder may have swapped the two."""
    plant, connection = opened()
    connection.ask(message(1, "03 0000 0001"), wait=1)
    connection.answer(message(1, "03 02 0007"), wait=0.00001).back = 1
    (one,) = told(exchange_of(plant))
    assert (one["status"], one["reply_s"], one["frame"], one["reply_frame"]) == ("answered", 0, 4, 3)


def test_tables_grow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Transactions, polls, events and values beyond the first tables' sizes are all kept."""
    monkeypatch.setattr(tracker, "_FIRST_ROWS", 1)
    plant = Plant()
    for k in range(40):
        connection = plant.connection(("192.0.2.10", 40000 + k)).handshake()
        for number in range(20):
            connection.ask(
                message(number, f"10 {20 * k + number:04x} 0003 06 0001 0002 {number:04x}"), wait=0.001
            )
    exchange = exchange_of(plant)
    assert len(exchange.poll) == len(exchange.polls) == 800
    assert len(exchange.events) == 3 * 40
    assert [one["start"] for one in told(exchange)] == list(range(800))
    assert [one["value"] for one in told(exchange)] == [bytes([0, 1, 0, 2, 0, k % 20]) for k in range(800)]
    assert np.array_equal(np.sort(exchange.request_ns), exchange.request_ns)


def test_order_of_equal_times() -> None:
    """Of requests at the same time that of the earlier frame comes first, also where it had to be held back."""
    plant, connection = opened()
    other = plant.connection(("192.0.2.10", 49999)).handshake()
    connection.ask(message(1, "03 0000 0001")).lost = True
    connection.ask(message(2, "03 0000 0001"), wait=1)
    other.ask(message(3, "03 0000 0001"))
    exchange = exchange_of(plant)
    assert exchange.request_frame.tolist() == sorted(exchange.request_frame.tolist())
    assert len(set(exchange.request_ns.tolist())) == 1
