"""Every recording of samples, in some of the ways in which it may come: tunnels, formats, copies, tags, order, cuts.

Which recording comes in which way is drawn once for all; each way meets several recordings, and each recording several
ways, so that together they take no longer than a minute.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.builders.recorder import Record, pcap
from tests.builders.tunnels import TUNNELS, Tunnel
from tests.same_answer.frames import PACK, SAMPLES, answer, answer_of_whole, pcapng, records_of, written
from tests.same_answer.test_delivery import TAGS, doubled, tagged

Way = Callable[[Path, list[Record], random.Random], Path | list[Path]]
"""Where to write, the frames, and what draws in; what is to be read out."""
WAYS_EACH = 3
BEGUN = 200  # frames after which every connection is under way
RECORDINGS = sorted(str(path.relative_to(SAMPLES)) for path in SAMPLES.rglob("*.pcap*") if path.is_file())


def carried(tunnel: Tunnel) -> Way:
    """In a tunnel; what it cannot carry goes beside it."""

    def write(folder: Path, records: list[Record], drawn: random.Random) -> Path:
        made = []
        for number, (time_ns, frame, _) in enumerate(records):
            inside = not tunnel.only_ip or frame[12:14] == b"\x08\0"
            wrapped = tunnel.wrap(frame, number) if inside else [frame]
            made += [(time_ns, data, len(data)) for data in wrapped]
        return written(folder, made)

    return write


def as_pcapng(order: str, resolution: int) -> Way:
    """As pcapng of a byte order, with a resolution that holds nanoseconds."""

    def write(folder: Path, records: list[Record], drawn: random.Random) -> Path:
        path = folder / "made.pcapng"
        path.write_bytes(pcapng(records, order, resolution))
        return path

    return write


def packed(name: str) -> Way:
    """Packed in one of the ways."""

    def write(folder: Path, records: list[Record], drawn: random.Random) -> Path:
        path = folder / "night"
        path.write_bytes(PACK[name](pcap(records)))
        return path

    return write


def changed(change: Callable[[list[Record], random.Random], list[Record]]) -> Way:
    """With frames added, changed or moved."""
    return lambda folder, records, drawn: written(folder, change(records, drawn))


def swapped_near(records: list[Record], drawn: random.Random) -> list[Record]:
    """Three frames recorded before the one that they came behind by 50 ms at most; more is a step of the clock."""
    near = [k for k in range(BEGUN, len(records)) if records[k][0] - records[k - 1][0] <= 50_000_000]
    order = list(records)
    for place in drawn.sample(near, 3):
        order[place - 1 : place + 1] = order[place], order[place - 1]
    return order


def with_and_without_tag(records: list[Record], drawn: random.Random) -> list[Record]:
    """From two ports of a switch, one of which tags."""
    return sorted([*records, *tagged(records, TAGS["one tag"])], key=lambda record: record[0])


def in_pieces(most: int) -> Way:
    """Cut anywhere, into files whose names tell nothing, some of them packed, given as a folder."""

    def write(folder: Path, records: list[Record], drawn: random.Random) -> list[Path]:
        cuts = [0, *sorted(drawn.sample(range(1, len(records)), most - 1)), len(records)]
        for number, (start, stop) in zip(drawn.sample(range(10**6), most), pairwise(cuts), strict=True):
            content = pcap(records[start:stop])
            way = drawn.choice([None, *PACK])
            (folder / f"{number}").write_bytes(PACK[way](content) if way else content)
        return [folder]

    return write


def all_at_once(folder: Path, records: list[Record], drawn: random.Random) -> list[Path]:
    """Twice, once with a tag, in a remote mirror, as pcapng files of both byte orders."""
    mirror = TUNNELS["mirror"]
    made = [
        (time_ns, mirror.wrap(data, number)[0])
        for number, (time_ns, data, _) in enumerate(with_and_without_tag(records, drawn))
    ]
    half = len(made) // 2
    for name, order, part in (("b", "<", made[:half]), ("a", ">", made[half:])):
        (folder / name).write_bytes(pcapng([(t, data, len(data)) for t, data in part], order, 9))
    return [folder]


WAYS: dict[str, Way] = {
    **{f"in {name}": carried(tunnel) for name, tunnel in TUNNELS.items()},
    "pcapng, little endian": as_pcapng("<", 9),
    "pcapng, big endian, 2^-30 s": as_pcapng(">", 128 | 30),
    "pcapng, big endian": as_pcapng(">", 9),
    **{name: packed(name) for name in PACK},
    "doubled": changed(lambda records, drawn: doubled(records, 0)),
    "doubled a moment later": changed(lambda records, drawn: doubled(records, 40_000)),
    "one tag": changed(lambda records, drawn: tagged(records, TAGS["one tag"])),
    "two tags": changed(lambda records, drawn: tagged(records, TAGS["two tags"])),
    "doubled, one tagged": changed(with_and_without_tag),
    "three swapped": changed(swapped_near),
    "in 3 pieces": in_pieces(3),
    "in 100 pieces": in_pieces(100),
    "all at once": all_at_once,
}
CASES = [
    (recording, list(WAYS)[(number * WAYS_EACH + k) % len(WAYS)])
    for number, recording in enumerate(random.Random(3).sample(RECORDINGS, len(RECORDINGS)))
    for k in range(WAYS_EACH)
]


@pytest.mark.parametrize(("recording", "way"), CASES)
def test_the_same_answer(tmp_path: Path, recording: str, way: str) -> None:
    """Devices, figures and findings are those of the recording as it lies there."""
    drawn = random.Random(f"{recording} {way}")
    made = WAYS[way](tmp_path, list(records_of(SAMPLES / recording)), drawn)
    told = said_by_tcp if (way.startswith("in ") and way[3:] in TUNNELS) or way == "all at once" else dict
    assert told(answer(made)) == told(answer_of_whole(SAMPLES / recording))


BESIDE_TCP = {"address-shared", "address-moved"}
ARGUED = {
    "cause", "cause_certainty", "certainty", "against", "rivals", "would_decide", "text", "level", "advice", "state"
}  # fmt: skip
"""What look-ups, bridges and broadcasts have a say in, of which tunnels carry a part or nothing."""


def said_by_tcp(made: dict[str, Any]) -> dict[str, Any]:
    """Devices and figures, and which findings there are, without what frames beside TCP tell."""
    found = sorted((f["code"], str(f["device"])) for f in made["findings"] if f["code"] not in BESIDE_TCP)
    devices = sorted((_bare(d) for d in made["devices"]), key=lambda d: str(d["device"]))
    return {"devices": devices, "endpoints": made["endpoints"], "findings": found}


def _bare(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _bare(entry) for key, entry in value.items() if key not in ARGUED}
    return [_bare(entry) for entry in value] if isinstance(value, list) else value


def test_every_way_meets_several_recordings() -> None:
    """No way is left out, and none is tried on one recording alone."""
    met = {way: {recording for recording, other in CASES if other == way} for way in WAYS}
    assert all(len(recordings) >= 2 for recordings in met.values())
