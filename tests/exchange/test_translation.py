"""What a recording shows on both sides of an address translation counts once; what only looks like it does not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from mbsniff.site import Site
from mbsniff.site.limits import Device, Limits
from tests.builders.adus import adu
from tests.builders.measured import DATA, READ, at, poll
from tests.builders.plant import Plant, Sighting
from tests.builders.readings import Reading, columns, read
from tests.builders.recorder import pcap, write
from tests.builders.translation import End, translated
from tests.diagnose.built import every
from tests.same_answer.frames import records_of

ROUTER, OUTSIDE = "198.51.100.1", "203.0.113.1"
PLC, STATION, ZONE = "192.0.2.10", "192.0.2.20", "192.0.2.50"
SITE = Site(devices=(Device("zone 1", ZONE, units=(1,), limits=Limits(max_reads_per_s=3)),))
SOURCE = {(ROUTER, 61000): (PLC, 49152)}
TARGET = {(ZONE, 502): (OUTSIDE, 10502)}


def polled(
    client: End, first: tuple[int, int], *, handshake: bool = True, plant: Plant | None = None
) -> Plant:
    """Two reads a second for 30 s, as the device's side shows them."""
    plant = plant or Plant()
    link = plant.connection(client, (ZONE, 502), first)
    if handshake:
        at(plant, -0.5)
        link.handshake()
    poll(link, every(0.5, 0, 30), reply_s=0.02)
    return plant


def reading(folder: Path, wire: Sequence[Sighting], **sizes: int) -> Reading:
    """What is made of it, with both ports a server's."""
    path = write(folder / "made.pcap", Plant(wire=list(wire)))
    return read(path, SITE, ports=(502, 10502), **sizes)


def told(made: Reading) -> tuple[list[Any], list[Any], list[Any]]:
    """Devices with masters, requests, busiest second; endpoints' habits; findings' codes."""
    devices = [
        (d["device"], d["masters"], d["requests"], d["answered"], d["unanswered"], d["busiest_second_reads"])
        for d in made.json["devices"]
    ]
    habits = [
        (m["master"], m["requests"], m["connections"]) for e in made.json["endpoints"] for m in e["masters"]
    ]
    return devices, habits, sorted(f["code"] for f in made.json["findings"])


@pytest.mark.parametrize("handshake", [True, False], ids=["opened", "under way"])
@pytest.mark.parametrize(
    ("ends", "client"),
    [(SOURCE, (ROUTER, 61000)), (TARGET, (PLC, 49152)), (SOURCE | TARGET, (ROUTER, 61000))],
    ids=["source", "target", "both"],
)
def test_both_sides_count_once(tmp_path: Path, ends: dict[End, End], client: End, handshake: bool) -> None:
    """The master's own address and the device's; no load that is not there."""
    plant = polled(client, (3_000_000_000, 77), handshake=handshake)
    made = reading(tmp_path, [*plant.wire, *translated(plant.wire, ends)])
    alone = polled((PLC, 49152), (3_000_000_000, 77), handshake=handshake)
    assert told(made) == told(reading(tmp_path, alone.wire))
    [found] = made.exchange.translations
    assert (found.connections, found.requests) == (1, 60)
    assert (found.counted_as.client, found.counted_as.server, found.counted_as.port) == (PLC, ZONE, 502)
    assert {found.outer.client, found.inner.server} == {PLC, ZONE}
    assert "masters-sum-over" not in told(made)[2]


def test_the_doubled_load_would_be_a_fault(tmp_path: Path) -> None:
    """The same two recordings with other sequence numbers on one side are two masters, and too much."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    polled((PLC, 49152), (1_000_000_000, 99), plant=plant)
    made = reading(tmp_path, plant.wire)
    assert not made.exchange.translations
    assert told(made)[0][0][1:3] == ([PLC, ROUTER], 120)
    assert "masters-sum-over" in told(made)[2]


def test_masters_behind_one_address_stay_apart(tmp_path: Path) -> None:
    """Two masters that one address stands for: each is told by its own."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    polled((ROUTER, 61001), (1_000_000_000, 99), plant=plant)
    ends = SOURCE | {(ROUTER, 61001): (STATION, 49152)}
    made = reading(tmp_path, [*plant.wire, *translated(plant.wire, ends)])
    assert told(made)[0][0][1:3] == ([PLC, STATION], 120)
    assert [t.requests for t in made.exchange.translations] == [60, 60]
    assert told(made)[1] == [(PLC, 60, 1), (STATION, 60, 1)]


def test_two_translations_on_the_way(tmp_path: Path) -> None:
    """Seen three times: before the first box, between both, and behind the second."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    between = translated(plant.wire, TARGET)
    before = translated(between, SOURCE, port=10502)
    made = reading(tmp_path, [*plant.wire, *between, *before])
    assert told(made)[0] == told(reading(tmp_path, polled((PLC, 49152), (3_000_000_000, 77)).wire))[0]


def test_port_used_for_another_master(tmp_path: Path) -> None:
    """The box gives the same port to another master later: each stretch belongs to its own."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    outer = translated(plant.wire, SOURCE)
    link = plant.connection((ROUTER, 61000), (ZONE, 502), (5_000_000, 600_000_000))
    begun = len(plant.wire)
    at(plant, 40)
    link.handshake()
    poll(link, every(0.5, 41, 61), reply_s=0.02)
    outer += translated(plant.wire[begun:], {(ROUTER, 61000): (STATION, 49152)})
    made = reading(tmp_path, [*plant.wire, *outer])
    requests = {m["master"]: m["requests"] for e in made.json["endpoints"] for m in e["masters"]}
    assert requests == {PLC: 60, STATION: 40}


def test_what_one_side_lost_the_other_tells(tmp_path: Path) -> None:
    """Requests and replies that the recording lacks on the device's side."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    outer = translated(plant.wire, SOURCE)
    payloads = [s for s in plant.wire if len(s.packet) > 40]
    for sighting in payloads[40::14] + payloads[41::10]:
        sighting.lost = True
    made = reading(tmp_path, [*plant.wire, *outer])
    assert told(made)[0][0][2:5] == (60, 60, 0)


def copies_of_payload(late: bool) -> Callable[[], list[Sighting]]:
    """The same bytes from two masters, a moment apart."""

    def wire_of() -> list[Sighting]:
        plant = Plant()
        one = plant.connection((PLC, 49152), (ZONE, 502), (1_000_000_000, 99))
        two = plant.connection((STATION, 49152), (ZONE, 502), (3_000_000_000, 77))
        for k in range(60):
            at(plant, 0.5 * k)
            for link in (one, two):
                link.ask(adu(k, 1, READ), wait=0.0003)
            for link in (two, one) if late else (one, two):
                link.answer(adu(k, 1, DATA), wait=0.003)
        return plant.wire

    return wire_of


@pytest.mark.parametrize("late", [True, False])
def test_equal_payload_alone_is_no_translation(tmp_path: Path, late: bool) -> None:
    """Two masters in step that ask the same with the same identifiers: only sequence numbers tell."""
    made = reading(tmp_path, copies_of_payload(late)())
    assert not made.exchange.translations
    assert told(made)[0][0][1:3] == ([PLC, STATION], 120)


def test_equal_numbers_alone_are_no_translation(tmp_path: Path) -> None:
    """Two connections that happen to stand at the same sequence numbers, and ask other things."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    other = plant.connection((PLC, 49152), (ZONE, 502), (3_000_000_000, 77))
    poll(other, every(0.5, 0.1, 30.1), reply_s=0.02, request=bytes.fromhex("0300100001"))
    made = reading(tmp_path, plant.wire)
    assert not made.exchange.translations
    assert told(made)[0][0][2] == 120


def test_before_and_behind_a_router(tmp_path: Path) -> None:
    """Same addresses, other time to live and hardware addresses: copies, as of a mirror port."""
    plant = polled((PLC, 49152), (3_000_000_000, 77))
    alone = told(reading(tmp_path, plant.wire))
    behind = [Sighting(s.time_ns + 200_000, s.packet[:8] + bytes([63]) + s.packet[9:]) for s in plant.wire]
    made = reading(tmp_path, [*plant.wire, *behind])
    assert told(made) == alone
    assert made.json["recording"]["repeated_frames"] == len(plant.wire)


@pytest.mark.parametrize("batch_rows", [1, 3, 64])
def test_where_batches_end_changes_nothing(tmp_path: Path, batch_rows: int) -> None:
    """Every portion of frames gives the same columns."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77), handshake=False)
    polled((ROUTER, 61001), (1_000_000_000, 99), plant=plant)
    ends = SOURCE | TARGET | {(ROUTER, 61001): (STATION, 49152)}
    wire = [*plant.wire, *translated(plant.wire, ends)]
    whole = columns(reading(tmp_path, wire).exchange)
    assert columns(reading(tmp_path, wire, batch_rows=batch_rows).exchange) == whole


def test_the_head_says_so(tmp_path: Path) -> None:
    """In a sentence, and in the JSON with both sides' addresses."""
    plant = polled((ROUTER, 61000), (3_000_000_000, 77))
    made = reading(tmp_path, [*plant.wire, *translated(plant.wire, SOURCE | TARGET)]).json["recording"]
    assert made["translated"] == [
        {
            "outer": {"client": PLC, "server": f"{OUTSIDE}:10502"},
            "inner": {"client": ROUTER, "server": f"{ZONE}:502"},
            "counted_as": {"client": PLC, "server": f"{ZONE}:502"},
            "connections": 1,
            "requests": 60,
        }
    ]
    [said] = [d for d in made["doubts"] if "address translation" in d]
    assert PLC in said and ROUTER in said and f"{OUTSIDE}:10502" in said and f"{ZONE}:502" in said


def test_a_real_recording() -> None:
    """Two real masters behind a kernel's masquerade and port forwarding (`record_translated.py`), seen twice."""
    made = read(Path(__file__).with_name("translated.pcap.gz"), ports=(502, 10502))
    assert [(d["device"], d["masters"], d["requests"], d["answered"]) for d in made.json["devices"]] == [
        ("198.51.100.50:502/1", ["192.0.2.10", "192.0.2.20"], 60, 60)
    ]
    sides = [(t.outer.client, t.outer.port, t.inner.client, t.requests) for t in made.exchange.translations]
    assert sides == [("192.0.2.10", 10502, "198.51.100.1", 40), ("192.0.2.20", 502, "198.51.100.1", 20)]


def test_a_real_recording_of_one_side(tmp_path: Path) -> None:
    """What the device's side alone shows of it: the same device, asked as often, and answering in the same time."""
    path = Path(__file__).with_name("translated.pcap.gz")
    router = bytes((198, 51, 100, 1))
    inner = [r for r in records_of(path) if router in (r[1][26:30], r[1][30:34])]
    alone = tmp_path / "inner.pcap"
    alone.write_bytes(pcap(inner))
    [one], [both] = (read(p, ports=(502, 10502)).json["devices"] for p in (alone, path))
    assert one["masters"] == ["198.51.100.1"]
    same = ("device", "requests", "answered", "reply_ms", "busiest_second_reads", "functions")
    assert {key: one[key] for key in same} == {key: both[key] for key in same}
