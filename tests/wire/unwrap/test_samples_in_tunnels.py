"""Whole recordings carried through every tunnel: the same diagnosis as of the frames themselves."""

from __future__ import annotations

import functools
import struct
from pathlib import Path
from typing import Any

import pytest

from mbsniff.capture import open_recording
from mbsniff.capture.frames import CAPTURED, POSITION, TIME_NS
from mbsniff.diagnose import diagnose
from mbsniff.exchange import read_exchange
from mbsniff.measure import measure
from mbsniff.report.as_json import diagnosis_dict
from mbsniff.report.table import diagnosis_page
from mbsniff.site import load_site
from mbsniff.wire.unwrap import reveal
from tests.builders.readings import Named, read
from tests.builders.recorder import Record, pcap
from tests.builders.tunnels import TUNNELS, Tunnel, ether, ip4
from tests.same_answer.test_disguises import said_by_tcp

SAMPLES = Path(__file__).parents[3] / "samples"
SITE = load_site(str(SAMPLES / "oven.toml"))
MOST_FRAMES = 1_700  # of the sample with the link that was down: the fault and some of what follows


@functools.cache
def frames(name: str) -> list[tuple[int, bytes]]:
    """The first frames of a sample."""
    found = []
    with open_recording([str(SAMPLES / name)]) as recording:
        for batch in recording.batches(False):
            for row in batch.rows.tolist():
                data = batch.data[row[POSITION] : row[POSITION] + row[CAPTURED]].tobytes()
                found.append((row[TIME_NS], data))
    return found[:MOST_FRAMES]


def carried(name: str, tunnel: Tunnel | None) -> list[Record]:
    """The records of the sample in the tunnel; what the tunnel cannot carry goes beside it."""
    records = []
    for number, (time_ns, frame) in enumerate(frames(name)):
        inside = tunnel is not None and (not tunnel.only_ip or frame[12:14] == b"\x08\0")
        made = tunnel.wrap(frame, number) if tunnel is not None and inside else [frame]
        records += [(time_ns, data, len(data)) for data in made]
    return records


def diagnosis(folder: Path, records: list[Record], compiled: bool = False) -> tuple[Any, Named]:
    """(recording counters, all else) without frame numbers, where copies and fragments make them others."""
    capture = folder / "capture.pcap"
    capture.write_bytes(pcap(records))
    reading = read(capture, SITE, compiled=compiled)
    rest = {key: value for key, value in reading.json.items() if key != "recording"}
    if len(records) != len(frames("link-down.pcap")):
        for finding in rest["findings"]:
            finding["evidence"] = len(finding["evidence"])
    return reading.facts.counters, rest


@functools.cache
def bare(folder: Path, numbered: bool) -> Named:
    """The diagnosis of the sample as it is."""
    rest = diagnosis(folder, carried("link-down.pcap", None))[1]
    if not numbered:
        for finding in rest["findings"]:
            finding["evidence"] = len(finding["evidence"])
    return rest


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where captures are written, under one name."""
    return tmp_path_factory.mktemp("tunnels")


@pytest.mark.parametrize("name", TUNNELS)
def test_the_same_diagnosis(folder: Path, name: str) -> None:
    """All that TCP tells of devices, endpoints and findings is that of the bare sample; the layer is counted."""
    tunnel = TUNNELS[name]
    records = carried("link-down.pcap", tunnel)
    counters, rest = diagnosis(folder, records)
    numbered = len(records) == len(frames("link-down.pcap"))
    assert said_by_tcp(rest) == said_by_tcp(bare(folder, numbered))
    assert rest["findings"][0]["code"] == "watchdog-due"
    assert counters.seen_through[tunnel.layer] >= 1_500
    assert counters.undecodable_frames == 0
    assert (counters.repeated_frames >= 1_500) is ("both" in name)


@pytest.mark.parametrize("name", ["mirror with times", "PRP both ways", "fragments"])
def test_compiled_alike(folder: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled loops give the same counters and figures."""
    monkeypatch.setattr(reveal, "SOON_COMPILED", 0)
    records = carried("link-down.pcap", TUNNELS[name])
    assert diagnosis(folder, records, compiled=True) == diagnosis(folder, records)


def test_what_the_head_says(folder: Path) -> None:
    """The head line and JSON tell what was seen through; what is not decodable is a doubt."""
    secured = ether(0x0800, ip4(6, struct.pack(">HHIIHHHH", 50_000, 802, 1, 1, 0x5018, 8192, 0, 0)))
    records = carried("link-down.pcap", TUNNELS["VXLAN"])
    capture = folder / "head.pcap"
    capture.write_bytes(pcap([*records, (records[-1][0], secured, len(secured))]))
    with open_recording([str(capture)]) as recording:
        exchange, facts = read_exchange(recording, compiled=False)
    made = diagnose(exchange, facts, measure(exchange, facts, SITE, compiled=False), SITE)
    page, told = diagnosis_page(made, 120), diagnosis_dict(made)["recording"]
    assert "Seen through: VXLAN (1,700 frames)." in page
    assert "Doubt: 1 frame not decodable: Modbus/TCP Security on port 802, encrypted." in page
    assert told["seen_through"] == {"VXLAN": 1_700}
    assert told["not_seen_through"] == {"Modbus/TCP Security on port 802, encrypted": 1}
