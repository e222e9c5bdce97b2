"""Hand-made talks and the figures that the contributor guide defines for them, reckoned by hand."""

from pathlib import Path
from typing import Any

import pytest

from tests.oracle import Limit, read_captures
from tests.oracle.quantiles import nearest_rank
from tests.oracle.talk import Talk, write

READ, DATA, DEVICE = "03 0000 0001", "03 02 0007", "192.0.2.50:502/1"
THREE_SECONDS = Limit(3 * 10**9)


def figures(tmp_path: Path, *talks: Talk, until_s: float = 0, limit: Limit = THREE_SECONDS) -> Any:
    path = write(tmp_path / "talk.pcap", *talks, until_s=until_s)
    return read_captures([path], {DEVICE: limit})["devices"][DEVICE]


def polled(*times_s: float, reply_s: float = 0.1) -> Talk:
    talk = Talk()
    for number, at_s in enumerate(times_s):
        talk.ask(at_s, number, 1, READ).answer(at_s + reply_s, number, 1, DATA)
    return talk


def test_nearest_ranks() -> None:
    """The ⌈p·n⌉-th smallest of n: of 1..10 the median is 5, the 95th percentile 10."""
    ten = list(range(10, 0, -1))
    assert [nearest_rank(ten, p) for p in (5, 50, 95, 99, 100)] == [1, 5, 10, 10, 10]


def test_silence(tmp_path: Path) -> None:
    """Simple, shortest and longest possible length of the longest silence, and what they mean for 3 s."""
    device = figures(tmp_path, polled(0, 1, 2, 3, 4, 8, *range(9, 15)), until_s=15)
    assert (device["longest_silence_s"], device["longest_silence_at"]) == (
        4,
        "2026-01-02T03:04:09.000000000Z",
    )
    assert (device["longest_silence_min_s"], device["longest_silence_max_s"]) == (3.9, 4.1)
    assert (device["open_silence_start_s"], device["open_silence_end_s"]) == (0, 1)
    assert (device["watchdog_due"], device["watchdog_possibly_due"]) == (1, 0)
    assert (device["margin"], device["spare_polls"]) == (-0.333333, 0)


def test_spare_polls(tmp_path: Path) -> None:
    """Whole median periods between the longest silence and the timeout."""
    device = figures(tmp_path, polled(0, 1, 2, 3, 4, 5.25), until_s=6, limit=Limit(5 * 10**9))
    assert (device["polls"][0]["kind"], device["spare_polls"], device["margin"]) == ("cyclic", 3, 0.75)
    assert device["polls"][0]["period_s"] == {"median": 1, "p5": 1, "p95": 1.25, "max": 1.25}


def test_unconfirmed_feeds(tmp_path: Path) -> None:
    """Requests that nobody answers leave a silence possible between the confirmed ones, counted once."""
    talk = polled(0, 1, 2).ask(3, 90, 1, READ).ask(4, 91, 1, READ).ask(5, 92, 1, READ)
    talk.ask(6, 93, 1, READ).answer(6.1, 93, 1, DATA)
    device = figures(tmp_path, talk)
    assert (device["longest_silence_s"], device["longest_silence_max_s"]) == (1, 1.1)
    assert (device["watchdog_due"], device["watchdog_possibly_due"]) == (0, 1)


def test_sent_again_by_tcp(tmp_path: Path) -> None:
    """The latest delivery of an unanswered request is when TCP sent its last byte again."""
    talk = polled(*range(-6, 4)).ask(4, 90, 1, READ).send(6, 0, b"\0" * 12, back=12)
    talk.ask(8, 91, 1, READ).answer(8.1, 91, 1, DATA)
    device = figures(tmp_path, talk)
    assert (device["longest_silence_s"], device["longest_silence_min_s"]) == (4, 2)
    assert (device["watchdog_due"], device["watchdog_possibly_due"]) == (0, 1)


@pytest.mark.parametrize(("unit", "pdu"), [(1, "83 06"), (9, DATA)])
def test_delivered_but_not_confirmed(tmp_path: Path, unit: int, pdu: str) -> None:
    """An exception, or a reply of another unit, shows that the request arrived, but not that it fed."""
    talk = polled(0, 1).ask(2, 9, 1, READ).answer(2.2, 9, unit, pdu).ask(4, 10, 1, READ)
    device = figures(tmp_path, talk.answer(4.1, 10, 1, DATA))
    assert (device["answered"], device["misaddressed"]) == ((4, 0) if unit == 1 else (3, 1))
    assert device["exceptions"] == ({"6": 1} if unit == 1 else {})
    assert (device["longest_silence_min_s"], device["longest_silence_max_s"]) == (1.8, 3.1)


def test_open_end_is_due(tmp_path: Path) -> None:
    """A regularly polled device that is asked no more is due at an open end; a probed one is not judged."""
    assert figures(tmp_path, polled(0, 1, 2, 3, 4), until_s=9)["watchdog_due"] == 1
    probed = figures(tmp_path, polled(0, 1), until_s=9)
    assert (probed["regular"], probed["watchdog_due"], probed["margin"]) == (False, None, None)


def test_regular_by_count_and_span(tmp_path: Path) -> None:
    """Ten requests over half of the recording make a device regular, whatever their rhythm."""
    times = [0, 0.2, 2, 2.2, 3, 3.2, 7, 7.1, 7.2, 10]
    assert figures(tmp_path, polled(*times), until_s=20)["regular"]
    assert not figures(tmp_path, polled(*times), until_s=20.5)["regular"]
    assert not figures(tmp_path, polled(*times[1:]), until_s=20)["regular"]


def test_busiest_second_is_half_open(tmp_path: Path) -> None:
    """A read exactly one second after another falls outside its window."""
    device = figures(tmp_path, polled(0, 0.5, 1, 1.4, reply_s=0.01), until_s=4)
    assert (device["busiest_second_reads"], device["reads_per_s"]) == (3, 1)


def test_on_change(tmp_path: Path) -> None:
    """Writes that bring new values at odd times are on change; the same value over and over is sporadic."""

    def kind(*values: int) -> str:
        talk = Talk()
        for number, value in enumerate(values):
            talk.ask(number**2, number, 1, f"06 0001 {value:04x}")
        return str(figures(tmp_path, talk)["polls"][0]["kind"])

    assert [kind(1, 2, 3), kind(1, 1, 2), kind(1, 2)] == ["on change", "sporadic", "sporadic"]


def test_polls_and_blocks(tmp_path: Path) -> None:
    """Function 23 is polled by both its ranges and read as a block; 7 has no range at all."""
    both = "17 0003 0006 {:04x} 0003 06 00FF 00FF 00FF"
    talk = Talk().ask(0, 1, 1, both.format(14)).ask(1, 2, 1, both.format(15)).ask(2, 3, 1, "07")
    device = figures(tmp_path, talk)
    ranges = [(p["function"], p["start"], p["quantity"], p["count"]) for p in device["polls"]]
    assert ranges == [(7, None, None, 1), (23, 3, 6, 1), (23, 3, 6, 1)]
    assert (device["block_sizes"], device["functions"]) == ({"23": {"6": 2}}, {"7": 1, "23": 2})


def test_service_time(tmp_path: Path) -> None:
    """Behind a queue, service begins with the previous reply of the endpoint, on any connection."""
    other = Talk(master=("192.0.2.11", 49153))
    talk = Talk().ask(1, 1, 1, READ).answer(1.4, 1, 1, DATA)
    device = figures(tmp_path, talk, other.ask(1.1, 1, 1, READ).answer(1.6, 1, 1, DATA))
    assert device["masters"] == ["192.0.2.10", "192.0.2.11"]
    assert device["reply_ms"] == {"median": 400, "p95": 500, "p99": 500, "max": 500}
    assert device["service_ms"] == {"median": 200, "p95": 400, "p99": 400, "max": 400}


@pytest.mark.parametrize(
    "pdu", ["14 0E 06 0004 0001 0002 06 0003 0009 0002", "15 0D 06 0004 0007 0003 06AF 04BE 100D"]
)
def test_file_records(tmp_path: Path, pdu: str) -> None:
    """Record number of the first group, registers of all (MODBUS Application Protocol V1.1b3, 6.14, 6.15)."""
    poll = figures(tmp_path, Talk().ask(0, 1, 1, pdu))["polls"][0]
    assert (poll["start"], poll["quantity"]) == ((1, 4) if pdu.startswith("14") else (7, 3))
