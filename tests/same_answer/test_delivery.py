"""What mirror ports do to frames (copies, tags, order) does not change what they say."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.builders.recorder import Record
from tests.same_answer.frames import NAMES, answer, answer_of_whole, path_of, records_of, written

TAGS = {
    "one tag": struct.pack(">HH", 0x8100, 7),
    "two tags": struct.pack(">HHHH", 0x88A8, 7, 0x8100, 9),
}


def doubled(records: Sequence[Record], after_ns: int) -> list[Record]:
    """Every frame, and once more a moment later; the recording ends when it did."""
    copies = [(time_ns + after_ns, data, original) for time_ns, data, original in records[:-1]]
    return sorted([*records, *copies, records[-1]], key=lambda record: record[0])


def tagged(records: Sequence[Record], tags: bytes) -> list[Record]:
    """With tags behind the hardware addresses (IEEE 802.1Q, clause 9)."""
    return [
        (time_ns, data[:12] + tags + data[12:], original + len(tags)) for time_ns, data, original in records
    ]


def swapped(records: Sequence[Record], drawn: random.Random, times: int, farthest: int) -> list[Record]:
    """With a few frames recorded earlier than some that went before them, each with its own time."""
    order = list(records)
    for place in drawn.sample(range(farthest, len(order)), times):
        order.insert(place - drawn.randint(1, farthest), order.pop(place))
    return order


@pytest.mark.parametrize("after_ns", [0, 3_000, 400_000])
@pytest.mark.parametrize("name", NAMES)
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
    """One to three frames recorded up to three places too early."""
    records = records_of(path_of(name))
    for number in range(4):
        drawn = random.Random(f"{name} {number}")
        path = written(tmp_path, swapped(records, drawn, drawn.randint(1, 3), 3))
        assert answer(path) == answer_of_whole(path_of(name))
