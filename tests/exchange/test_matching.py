"""The seven rules by which replies are given to requests (see the contributor guide), one by one."""

import pytest

from mbsniff.exchange.columns import STATUS_NAMES
from tests.builders.adus import adu
from tests.builders.exchanges import exchange_of, statuses, told
from tests.builders.plant import DEVICE, MASTER, Connection, Plant

READ, DATA = "03 0000 0001", "03 02 0007"


class Talk:
    """A connection with requests and replies in hexadecimal."""

    def __init__(self, *, opened: bool = True) -> None:
        self.plant = Plant()
        self.connection: Connection = self.plant.connection()
        if opened:
            self.connection.handshake()

    def ask(self, identifier: int, pdu: str = READ, unit: int = 1, wait: float = 1.0) -> "Talk":
        self.connection.ask(adu(identifier, unit, bytes.fromhex(pdu)), wait=wait)
        return self

    def answer(self, identifier: int, pdu: str = DATA, unit: int = 1, wait: float = 0.1) -> "Talk":
        self.connection.answer(adu(identifier, unit, bytes.fromhex(pdu)), wait=wait)
        return self

    def statuses(self, until_s: float | None = None) -> list[str]:
        return statuses(self.plant, until_s=until_s)


def test_answered() -> None:
    """A reply with the request's identifier, unit and function is its own; an exception too."""
    talk = Talk().ask(1).answer(1).ask(2).answer(2, "83 02")
    assert talk.statuses() == ["answered", "answered"]
    found = told(exchange_of(talk.plant))
    assert [one["exception"] for one in found] == [0, 2]
    assert [one["reply_s"] for one in found] == [0.1, 0.1]
    assert [(one["frame"], one["reply_frame"]) for one in found] == [(3, 4), (5, 6)]


@pytest.mark.parametrize(("wait", "status"), [(0.049999999, "pipelined"), (0.05, "late")])
def test_overtaken(wait: float, status: str) -> None:
    """Rule 1: after less than 50 ms a newer request means pipelining, from 50 ms on giving up."""
    talk = Talk().ask(1).ask(2, wait=wait).answer(1).answer(2)
    assert talk.statuses() == [status, "answered"]


def test_overtaken_once() -> None:
    """Rule 1: only the newest one not yet overtaken is; how long after it a third one comes says nothing."""
    talk = Talk().ask(1).ask(2, wait=0.01).ask(3, wait=2).answer(1).answer(2).answer(3)
    assert talk.statuses() == ["pipelined", "late", "answered"]


def test_master_closes() -> None:
    """Rule 1: when the master closes its side, what is outstanding is given up; a reply is late."""
    talk = Talk().ask(1).ask(2, wait=0.01)
    talk.connection.close(MASTER)
    assert talk.statuses() == ["unanswered", "unanswered"]
    assert talk.answer(2).statuses() == ["unanswered", "late"]


def test_same_key_again() -> None:
    """Rule 2: a request like one given up closes it; one that pipelines does not."""
    assert Talk().ask(1).ask(1).answer(1).statuses() == ["unanswered", "by-order"]
    assert Talk().ask(1).ask(1, wait=0.01).answer(1).answer(1).statuses() == ["pipelined", "by-order"]
    assert Talk().ask(1).ask(1, unit=2).answer(1).answer(1, unit=2).statuses() == ["late", "by-order"]


def test_by_order() -> None:
    """A fixed identifier leaves only the order; an exchange of identifiers does not."""
    assert Talk().ask(0).answer(0).ask(0).answer(0).statuses() == ["answered", "by-order"]
    assert Talk().ask(0).answer(0).ask(1).answer(1).ask(0).answer(0).statuses() == ["answered"] * 3


def test_oldest_that_fits() -> None:
    """Rule 3: of two with the same key the one whose shape the reply has, else the oldest."""
    two = "03 0000 0002"
    talk = Talk().ask(1).ask(1, two, wait=0.01).answer(1, "03 04 00070007").answer(1)
    assert [one["reply_s"] for one in told(exchange_of(talk.plant))] == [0.21, 0.1]
    talk = Talk().ask(1).ask(1, two, wait=0.01).answer(1, "03 06 000700070007")
    assert talk.statuses() == ["pipelined", "open"]
    assert told(exchange_of(talk.plant))[0]["marks"] == {"shape"}
    talk = Talk().ask(1).ask(1, two, wait=0.01).answer(1, "83 02")
    assert talk.statuses() == ["pipelined", "open"]


@pytest.mark.parametrize(
    ("first", "second", "reply"),
    [
        ("01 0000 0008", "01 0000 0009", "01 02 FF01"),
        ("02 0000 0008", "02 0000 0009", "02 02 FF01"),
        ("04 0000 0001", "04 0000 0002", "04 04 00070007"),
        ("05 0001 FF00", "05 0002 FF00", "05 0002 FF00"),
        ("06 0001 0007", "06 0002 0007", "06 0002 0007"),
        ("0F 0001 0001 01 01", "0F 0001 0002 01 01", "0F 0001 0002"),
        ("10 0001 0001 02 0007", "10 0001 0002 04 00070007", "10 0001 0002"),
        ("16 0001 0000 0000", "16 0002 0000 0000", "16 0002 0000 0000"),
        ("17 0000 0001 0000 0001 02 0007", "17 0000 0002 0000 0001 02 0007", "17 04 00070007"),
    ],
)
def test_shapes_of_all_functions(first: str, second: str, reply: str) -> None:
    """Rule 3: byte count of reads, echoed address and quantity of writes."""
    talk = Talk().ask(1, first).ask(1, second, wait=0.01).answer(1, reply)
    assert talk.statuses() == ["open", "by-order"]


@pytest.mark.parametrize("request_pdu", ["01 0000 0001 00", "02 00", "03 00", "10 0000 0001 04 0007"])
def test_malformed_request_takes_any_reply(request_pdu: str) -> None:
    """A malformed request asks for no shape, so that its reply is not held against it."""
    reply = f"{int(request_pdu[:2], 16):02x} 02 0007" if request_pdu[:2] != "10" else "10 0000 0001"
    (one,) = told(exchange_of(Talk().ask(1, request_pdu).answer(1, reply).plant))
    assert (one["status"], one["marks"], one["start"]) == ("answered", {"shape"}, -1)


def test_misaddressed_and_orphans() -> None:
    """Rule 3: another unit makes a reply misaddressed; another identifier or function an orphan."""
    talk = Talk().ask(1).answer(1, unit=2).ask(2).answer(3).answer(2, "04 02 0007")
    assert talk.statuses() == ["misaddressed", "open", "orphan", "orphan"]
    orphan = told(exchange_of(talk.plant))[2]
    assert (orphan["unit"], orphan["function"], orphan["reply_s"], orphan["exception"]) == (1, 3, None, 0)


def test_reply_prefers_its_unit() -> None:
    """Rule 3: a reply of the right unit goes before one that is merely misaddressed, and shape before age."""
    talk = Talk().ask(1, unit=1).ask(1, unit=2, wait=0.01).answer(1, unit=2).answer(1, unit=9)
    assert talk.statuses() == ["misaddressed", "by-order"]


def test_exceptions_of_others() -> None:
    """Exceptions count where they answer: not those of orphans and other units."""
    talk = Talk().ask(1).answer(1, "83 06", unit=2).answer(7, "83 06").ask(2).answer(2, "83")
    assert [one["exception"] for one in told(exchange_of(talk.plant))] == [0, 0, 0xFF]


def test_reset_and_device_close() -> None:
    """Rule 4: a reset of either side, or the device's FIN, leaves what is outstanding unanswered."""
    for side, act in ((MASTER, "reset"), (DEVICE, "reset"), (DEVICE, "close")):
        talk = Talk().ask(1).ask(2, wait=0.01)
        getattr(talk.connection, act)(side)
        assert talk.statuses() == ["unanswered", "unanswered"]
        assert talk.answer(1).statuses()[-1] == "orphan"


def test_new_handshake() -> None:
    """Rule 4: so does a new handshake on the same ports."""
    talk = Talk().ask(1)
    talk.connection.handshake((70000, 90000), wait=0.001)
    assert talk.ask(2).answer(2).answer(1).statuses() == ["unanswered", "answered", "orphan"]


@pytest.mark.parametrize(("wait", "expected"), [(60, ["answered"]), (60.000000001, ["unanswered", "orphan"])])
def test_sixty_seconds(wait: float, expected: list[str]) -> None:
    """Rule 4: a reply after 60 s counts, one that comes later does not."""
    assert Talk().ask(1).answer(1, wait=wait).statuses() == expected


def test_expired_among_others() -> None:
    """Rule 4: those that waited too long are passed over for younger ones."""
    talk = Talk().ask(1).ask(1, unit=2, wait=40).answer(1, unit=1, wait=30)
    assert talk.statuses() == ["unanswered", "misaddressed"]


def test_sixty_four_outstanding() -> None:
    """Rule 4: of 65 outstanding requests the oldest is unanswered."""
    talk = Talk()
    for number in range(65):
        talk.ask(number, wait=0.001)
    assert talk.statuses() == ["unanswered"] + ["open"] * 64


@pytest.mark.parametrize(("until_s", "status"), [(61.002, "open"), (61.002000001, "unanswered")])
def test_end_of_the_recording(until_s: float, status: str) -> None:
    """Rule 5: at the end a request is open, unless it had waited more than 60 s."""
    assert Talk().ask(1).statuses(until_s) == [status]


def test_given_up_at_the_end() -> None:
    """Rule 5: what the master had given up is unanswered at the end."""
    assert Talk().ask(1).ask(2).statuses() == ["unanswered", "open"]


def test_unknown() -> None:
    """Rule 6: no reply counts as missing where bytes of its direction went unrecorded meanwhile."""
    talk = Talk().ask(1).answer(1)
    talk.plant.wire[-1].lost = True
    assert talk.ask(2).answer(2).ask(3, wait=0.001).statuses() == ["unknown", "answered", "open"]


def test_lost_before_or_long_after() -> None:
    """Rule 6: bytes lost before the request, or more than 60 s after it, excuse nothing."""
    talk = Talk().ask(1).answer(1)
    talk.plant.wire[-1].lost = True
    talk.ask(2, wait=0.5).ask(2, wait=1)
    assert talk.statuses() == ["unknown", "unanswered", "open"]
    late = Talk().ask(1)
    late.connection.answer(b"\0" * 7, wait=70).lost = True
    late.connection.segment(MASTER, wait=0.01)
    late.connection.segment(DEVICE, wait=0.01)
    assert late.statuses() == ["unanswered"]


def test_cut_reply_is_unknown() -> None:
    """Rule 6: a reply of which the recorder kept too little to know it is not missing."""
    talk = Talk().ask(1).answer(1)
    talk.plant.wire[-1].cut = 40 + 5
    assert talk.ask(2).answer(2).statuses() == ["unknown", "answered"]


def test_broadcasts() -> None:
    """Rule 7: requests to a unit 0 that never gets any reply are broadcasts, and never resent."""
    talk = Talk().ask(1, "06 0001 0007", unit=0).ask(1, "06 0001 0007", unit=0).ask(2).answer(2)
    assert talk.statuses() == ["broadcast", "broadcast", "answered"]
    assert [one["marks"] for one in told(exchange_of(talk.plant))] == [set(), set(), set()]


@pytest.mark.parametrize("unit", [0, 1])
def test_unit_zero_that_answers(unit: int) -> None:
    """Rule 7: one reply, even under another unit, shows that unit 0 is a device that was asked."""
    talk = Talk().ask(1, unit=0).ask(2, unit=0).answer(2, unit=unit)
    assert talk.statuses() == ["unanswered", "answered" if unit == 0 else "misaddressed"]


def test_unit_zero_of_each_endpoint() -> None:
    """Rule 7: it holds for every endpoint by itself, whichever master asks."""
    plant = Plant()
    for device, master in (
        ("192.0.2.50", "192.0.2.10"),
        ("192.0.2.50", "192.0.2.11"),
        ("192.0.2.51", "192.0.2.10"),
    ):
        connection = plant.connection((master, 49152), (device, 502)).handshake()
        connection.ask(adu(1, 0, bytes.fromhex(READ)), wait=1)
        if (device, master) == ("192.0.2.50", "192.0.2.10"):
            connection.answer(adu(1, 0, bytes.fromhex(DATA)))
    assert statuses(plant) == ["answered", "open", "broadcast"]


def test_every_status_has_a_name() -> None:
    """The statuses of the definitions, in the order of their codes."""
    assert STATUS_NAMES == (
        "open", "answered", "by-order", "pipelined", "late", "misaddressed", "unanswered", "unknown",
        "broadcast", "orphan",
    )  # fmt: skip
