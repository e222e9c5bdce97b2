"""Hand-made talks and what the matching rules of the contributor guide make of them."""

from pathlib import Path
from typing import Any

import pytest

from tests.oracle import read_captures
from tests.oracle.talk import FIN, RST, SYN, Talk, adu, write

READ, DATA = "03 0000 0001", "03 02 0007"
COUNTS = [
    "requests", "answered", "unanswered", "open_at_end", "late", "pipelined", "by_order",
    "misaddressed", "unknown", "broadcast", "orphan_replies", "resent_requests",
]  # fmt: skip


@pytest.fixture
def counts(tmp_path: Path) -> Any:
    """A function from talks to the counts, other than 0, of device 192.0.2.50:502/1."""

    def of(*talks: Talk, until_s: float = 0, unit: int = 1) -> dict[str, int]:
        device = read_captures([write(tmp_path / "talk.pcap", *talks, until_s=until_s)])["devices"][
            f"192.0.2.50:502/{unit}"
        ]
        return {name: device[name] for name in COUNTS if device[name]}

    return of


def test_plain_answer(counts: Any) -> None:
    """A reply with the same three belongs to its request."""
    assert counts(Talk().ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA)) == {"requests": 1, "answered": 1}


def test_late_answer(counts: Any) -> None:
    """A reply that comes after a newer request, sent 50 ms or more later, is late."""
    talk = Talk().ask(1, 1, 1, READ).ask(1.05, 2, 1, READ).answer(1.2, 1, 1, DATA).answer(1.3, 2, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 2, "late": 1}


def test_pipelined_answers(counts: Any) -> None:
    """A request overtaken within less than 50 ms is pipelined; the last one is not."""
    talk = Talk().ask(1, 1, 1, READ).ask(1.049, 2, 1, READ).answer(1.2, 1, 1, DATA).answer(1.3, 2, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 2, "pipelined": 1}


def test_an_overtaken_request_is_not_overtaken_again(counts: Any) -> None:
    """A pipelined request stays pipelined however long after the third request comes."""
    talk = Talk().ask(1, 1, 1, READ).ask(1.01, 2, 1, READ).ask(1.2, 3, 1, READ)
    talk.answer(1.3, 1, 1, DATA).answer(1.4, 2, 1, DATA).answer(1.5, 3, 1, DATA)
    assert counts(talk) == {"requests": 3, "answered": 3, "pipelined": 1, "late": 1}


def test_same_identifier(counts: Any) -> None:
    """With one identifier, order tells the answers, and asking again closes what was given up."""
    talk = Talk().ask(1, 0, 1, READ).answer(1.1, 0, 1, DATA).ask(2, 0, 1, READ).answer(2.1, 0, 1, DATA)
    talk.ask(3, 0, 1, READ).ask(4, 0, 1, READ).answer(4.1, 0, 1, DATA)
    expected = {"requests": 4, "answered": 3, "by_order": 2, "unanswered": 1, "resent_requests": 1}
    assert counts(talk) == expected


def test_shape_decides_among_equals(counts: Any) -> None:
    """Of two outstanding requests with the same three, the one whose byte count fits gets the reply."""
    talk = Talk().ask(1, 7, 1, "03 0000 0002").ask(1.01, 7, 1, READ).answer(1.1, 7, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 1, "by_order": 1, "open_at_end": 1}


def test_misaddressed_and_orphan(counts: Any) -> None:
    """A reply with another unit is misaddressed; one with another identifier is an orphan."""
    talk = Talk().ask(1, 1, 1, READ).answer(1.1, 1, 9, DATA).ask(2, 2, 1, READ).answer(2.1, 3, 1, DATA)
    assert counts(talk) == {"requests": 2, "misaddressed": 1, "orphan_replies": 1, "open_at_end": 1}


@pytest.mark.parametrize("close", [RST, FIN])
def test_device_closes(counts: Any, close: int) -> None:
    """A reset, or the device's FIN, leaves the outstanding request unanswered."""
    assert counts(Talk().ask(1, 1, 1, READ).send(2, 1, flags=close | 16)) == {"requests": 1, "unanswered": 1}


def test_master_closes(counts: Any) -> None:
    """The master's FIN gives up its requests: a reply then is late, none is unanswered."""
    talk = Talk().ask(1, 1, 1, READ).ask(1.01, 2, 1, READ).send(2, 0, flags=FIN | 16).answer(3, 1, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 1, "late": 1, "unanswered": 1}


def test_new_handshake_on_the_same_ports(counts: Any) -> None:
    """A SYN closes what is outstanding, unless it is the one before sent again with nothing between."""
    talk = Talk().handshake(0).ask(1, 1, 1, READ).handshake(2, (70000, 80000)).ask(3, 2, 1, READ)
    talk.answer(3.1, 2, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 1, "unanswered": 1}
    again = Talk().handshake(0).send(0.5, 0, flags=SYN, back=1).ask(1, 1, 1, READ).answer(2, 1, 1, DATA)
    assert counts(again) == {"requests": 1, "answered": 1}
    same = Talk().handshake(0).ask(1, 1, 1, READ).handshake(2).ask(3, 2, 1, READ).answer(3.1, 2, 1, DATA)
    assert counts(same) == {"requests": 2, "answered": 1, "unanswered": 1}


def test_sixty_seconds(counts: Any) -> None:
    """A reply after 60 s still counts, one after more comes too late for its request."""
    assert counts(Talk().ask(1, 1, 1, READ).answer(61, 1, 1, DATA)) == {"requests": 1, "answered": 1}
    beyond = Talk().ask(1, 1, 1, READ).answer(61.1, 1, 1, DATA)
    assert counts(beyond) == {"requests": 1, "unanswered": 1, "orphan_replies": 1}
    assert counts(Talk().ask(1, 1, 1, READ), until_s=61) == {"requests": 1, "open_at_end": 1}
    assert counts(Talk().ask(1, 1, 1, READ), until_s=61.1) == {"requests": 1, "unanswered": 1}


def test_sixty_four_outstanding(counts: Any) -> None:
    """The 65th outstanding request makes the oldest one unanswered."""
    talk = Talk()
    for number in range(65):
        talk.ask(1 + number / 1000, number, 1, READ)
    assert counts(talk) == {"requests": 65, "unanswered": 1, "open_at_end": 64}


def test_broadcast(counts: Any) -> None:
    """Requests to a unit 0 that never answers wait for nothing; where it answers once, it is a device."""
    talk = Talk().ask(1, 1, 0, "06 0001 0002").ask(2, 2, 0, "06 0001 0002")
    assert counts(talk, unit=0) == {"requests": 2, "broadcast": 2}
    talk.answer(2.1, 2, 0, "06 0001 0002")
    assert counts(talk, unit=0) == {"requests": 2, "answered": 1, "unanswered": 1}


def test_unrecorded_reply(counts: Any) -> None:
    """A missing reply is unknown where the acknowledgement shows bytes that the recording lacks."""
    talk = Talk().ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA)
    talk.ask(2, 2, 1, READ).lose(1, 11).ask(3, 3, 1, READ).answer(3.1, 3, 1, DATA)
    assert counts(talk, until_s=4) == {"requests": 3, "answered": 2, "unknown": 1}


def test_lost_before_the_request(counts: Any) -> None:
    """Bytes that its own frame shows to be lost say nothing about the request in that frame."""
    talk = Talk().ask(1, 1, 1, READ).answer(1.1, 1, 1, DATA).lose(1, 11).ask(2, 2, 1, READ)
    talk.send(3, 1, flags=RST | 16)
    assert counts(talk) == {"requests": 2, "answered": 1, "unanswered": 1}


def test_two_messages_in_one_segment_and_one_in_two(counts: Any) -> None:
    """The length field cuts messages, whatever the segments."""
    whole = adu(1, 1, READ.replace(" ", "")) + adu(2, 1, READ)
    talk = Talk().send(1, 0, whole).answer(1.01, 1, 1, DATA).answer(1.02, 2, 1, DATA)
    assert counts(talk) == {"requests": 2, "answered": 2, "pipelined": 1}
    split = Talk().handshake(0).send(1, 0, whole[:5]).send(1.1, 0, whole[5:12]).answer(1.2, 1, 1, DATA)
    assert counts(split) == {"requests": 1, "answered": 1}
