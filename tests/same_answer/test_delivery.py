"""What mirror ports do to frames (copies, tags, order) does not change what they say."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.builders.adus import adu
from tests.builders.measured import DATA, READ
from tests.builders.plant import MASTER, Plant
from tests.builders.readings import read
from tests.builders.recorder import Record, recorded
from tests.same_answer.frames import NAMES, answer, answer_of_whole, path_of, records_of, written

_BEGUN = 200  # frames after which every connection of every capture here is under way
TAGS = {
    "one tag": struct.pack(">HH", 0x8100, 7),
    "two tags": struct.pack(">HHHH", 0x88A8, 7, 0x8100, 9),
}


def doubled(records: Sequence[Record], after_ns: int) -> list[Record]:
    """Every frame, and once more a moment later; the recording ends when it did."""
    ends_ns = records[-1][0]
    both = [
        (min(time_ns + more_ns, ends_ns), data, original)
        for time_ns, data, original in records
        for more_ns in (0, after_ns)
    ]
    return sorted(both, key=lambda record: record[0])


def tagged(records: Sequence[Record], tags: bytes) -> list[Record]:
    """With tags behind the hardware addresses (IEEE 802.1Q, clause 9)."""
    return [
        (time_ns, data[:12] + tags + data[12:], original + len(tags)) for time_ns, data, original in records
    ]


def swapped(records: Sequence[Record], drawn: random.Random, times: int, farthest: int) -> list[Record]:
    """With a few frames recorded earlier than some that went before them, each with its own time.

    Not at the beginning: where a connection's first frame is a reply, nothing tells its request from one sent again.
    """
    order = list(records)
    for place in drawn.sample(range(_BEGUN, len(order)), times):
        order.insert(place - drawn.randint(1, farthest), order.pop(place))
    return order


@pytest.mark.parametrize(
    ("name", "after_ns"),
    [*((name, 0) for name in NAMES), ("link-down.pcap", 3_000), ("plc-silent.pcapng", 400_000)],
)
def test_every_frame_doubled(tmp_path: Path, name: str, after_ns: int) -> None:
    """Each frame delivered twice, at once or a moment later."""
    path = written(tmp_path, doubled(records_of(path_of(name)), after_ns))
    assert answer(path) == answer_of_whole(path_of(name))


@pytest.mark.parametrize("tags", TAGS)
@pytest.mark.parametrize("name", NAMES)
def test_tags_added(tmp_path: Path, name: str, tags: str) -> None:
    """VLAN tags added."""
    path = written(tmp_path, tagged(records_of(path_of(name)), TAGS[tags]))
    assert answer(path) == answer_of_whole(path_of(name))


def test_doubled_with_and_without_tag(tmp_path: Path) -> None:
    """Each frame from two ports of a switch, one of which tags it."""
    records = records_of(path_of("link-down.pcap"))
    both = sorted([*records, *tagged(records, TAGS["one tag"])], key=lambda record: record[0])
    assert answer(written(tmp_path, both)) == answer_of_whole(path_of("link-down.pcap"))


@pytest.mark.parametrize("name", NAMES)
def test_segments_swapped(tmp_path: Path, name: str) -> None:
    """One to three frames recorded before the one that they came behind."""
    records = records_of(path_of(name))
    for number in range(2):
        drawn = random.Random(f"{name} {number}")
        path = written(tmp_path, swapped(records, drawn, drawn.randint(1, 3), 1))
        assert answer(path) == answer_of_whole(path_of(name))


def conversation() -> Plant:
    """A handshake, then two reads with their replies and acknowledgements."""
    plant = Plant()
    connection = plant.connection().handshake()
    for number in (1, 2):
        connection.ask(adu(number, 1, READ), wait=0.1)
        connection.answer(adu(number, 1, DATA), wait=0.004)
        connection.segment(MASTER, wait=0.0004)
    return plant


def answer_to(folder: Path, records: Sequence[Record]) -> Any:
    return read(written(folder, records)).json["devices"]


def test_request_recorded_before_the_exchange_before_it(tmp_path: Path) -> None:
    """The second request recorded before the first, three places too early: its time stays its own."""
    records = recorded(conversation().wire)
    early = [*records[:3], records[6], *records[3:6], *records[7:]]
    assert answer_to(tmp_path, early) == answer_to(tmp_path, records)


def test_request_recorded_before_its_handshake(tmp_path: Path) -> None:
    """The first request recorded before the three frames of the handshake."""
    records = recorded(conversation().wire)
    early = [records[3], *records[:3], *records[4:]]
    assert answer_to(tmp_path, early) == answer_to(tmp_path, records)


def test_copies_behind_three_frames_of_a_side(tmp_path: Path) -> None:
    """A handshake and a request within half a millisecond, and the copies of all four frames behind them."""
    plant = Plant()
    connection = plant.connection().handshake(wait=0.0001)
    connection.ask(adu(1, 1, READ), wait=0.0001)
    copied = [(time_ns + 1_000_000, data, size) for time_ns, data, size in recorded(plant.wire)]
    once, again = recorded(plant.wire), copied
    connection.answer(adu(1, 1, DATA), wait=0.004)
    last = recorded(plant.wire)[-1:]
    assert answer_to(tmp_path, [*once, *again, *last]) == answer_to(tmp_path, [*once, *last])
