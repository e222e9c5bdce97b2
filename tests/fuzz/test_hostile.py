"""Captures made to do harm: claims of gigabytes, options that point outside, floods, chosen times and numbers."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from mbsniff.wire.connections import MODULUS, hash_keys
from tests.capture.craft import (
    Reading,
    block,
    enhanced,
    interface,
    notes,
    option,
    pcap,
    pcap_header,
    read_bytes,
    section,
    simple,
    statistics,
)
from tests.fuzz.floods import guessed_keys
from tests.fuzz.hostile import ATTACKS, GUESS, HARMLESS, Cost, cost_of

FRAMES = 60_000
MOST_TIMES = 4.0
MIB = 1 << 20
GIGANTIC = (0xFFFFFFFF, 0xFFFFFFFC, 0x80000000, (4 << 20) + 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Where captures are made, and taken away again."""
    folder = tmp_path_factory.mktemp("hostile")
    yield folder
    for path in folder.iterdir():
        path.unlink()


@pytest.fixture(scope="module")
def costs(folder: Path) -> dict[str, Cost]:
    """What harmless frames cost, the better of two runs, once all is compiled."""
    found = {}
    for name in HARMLESS:
        path = ATTACKS[name][1](folder / "harmless.pcap", FRAMES)
        cost_of(path)
        found[name] = min((cost_of(path) for _ in range(2)), key=lambda cost: cost.seconds)
    return found


@pytest.mark.parametrize("name", [name for name in ATTACKS if name not in HARMLESS])
def test_attacks_cost_a_few_times_what_harmless_frames_do(
    name: str, folder: Path, costs: dict[str, Cost]
) -> None:
    """Time for a frame stays within a few times that of harmless ones, memory within what these take."""
    beside, write = ATTACKS[name]
    path = write(folder / "attack.pcap", FRAMES)
    cost = min((cost_of(path, "rightly" in name) for _ in range(2)), key=lambda cost: cost.seconds)
    assert cost.seconds < MOST_TIMES * costs[beside].seconds
    assert cost.grown_bytes < costs[beside].grown_bytes + 32 * MIB


def test_a_flood_is_counted(costs: dict[str, Cost]) -> None:
    """The page says how many attempts there were, of how many addresses, and that nothing came of them."""
    told = next(doubt for doubt in costs[HARMLESS[0]].doubts if "attempts" in doubt)
    assert told.startswith(f"{FRAMES:,} connection attempts of ")
    assert "addresses to 1 endpoint got no answer" in told and "a scan or a flood" in told
    assert "60,000 connection attempts" in costs[HARMLESS[0]].page


def test_half_open_connections_are_counted(folder: Path) -> None:
    """So it does where one address opens connection after connection."""
    cost = cost_of(ATTACKS["half-open connections"][1](folder / "half-open.pcap", FRAMES))
    assert any(doubt.startswith(f"{FRAMES:,} connection attempts of 1 address to 1") for doubt in cost.doubts)


def test_outstanding_requests_are_counted(folder: Path) -> None:
    """Of requests that wait beside each other 64 stay open; every other one is unanswered, none is lost."""
    cost = cost_of(ATTACKS["identifiers outstanding"][1](folder / "outstanding.pcap", FRAMES))
    assert cost.requests == FRAMES
    assert cost.unanswered == FRAMES - 64


def test_the_guess_is_a_good_one() -> None:
    """With the seed guessed rightly, keys do collide: thousands of them within a few hash values of each other."""
    keys = guessed_keys(5000, GUESS)
    table = np.zeros((5000, 8), np.int64)
    ports = np.asarray(keys.client_port) << 16 | np.asarray(keys.server_port)
    table[:, 0], table[:, 1], table[:, 2] = 4 << 32 | ports, keys.client, keys.server
    assert len(np.unique(table, axis=0)) > 4990
    assert hash_keys(table, GUESS).max() < MODULUS >> 16
    other = np.random.default_rng(5).integers(1 << 20, MODULUS, len(GUESS), dtype=np.int64)
    assert hash_keys(table, other).max() > MODULUS >> 1


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("claimed", GIGANTIC)
def test_a_record_that_claims_gigabytes(tmp_path: Path, order: str, claimed: int) -> None:
    """The frames before it are read, and a note tells the record, its place and its claim."""
    sound = pcap_header(order) + struct.pack(order + "4I", 1, 1, 4, 4) + b"abcd"
    data = sound + struct.pack(order + "4I", 1, 1, claimed, claimed) + bytes(1000)
    reading = read_bytes(tmp_path, data)
    assert len(reading.frames) == 1
    (note,) = notes(reading)
    assert (
        note
        == f"record 2 at byte 44 claims to hold {claimed:,} bytes, more than any frame has; reading stops there"
    )


@pytest.mark.parametrize("kind", [2, 3, 6, 5, 1, 0x0A0D0D0A, 0xBAD])
@pytest.mark.parametrize("claimed", [0xFFFFFFFC, 0x80000000, 0x7FFFFFFC])
@pytest.mark.parametrize("order", "<>")
def test_a_block_that_claims_gigabytes(tmp_path: Path, kind: int, claimed: int, order: str) -> None:
    """Whatever its type: the frames before it are read, and a note tells where and why reading stops."""
    sound = section(order) + interface(order=order) + enhanced(b"abcd", 5, order=order)
    magic = struct.pack(order + "I", 0x1A2B3C4D)
    reading = read_bytes(tmp_path, sound + struct.pack(order + "II", kind, claimed) + magic + bytes(2000))
    assert len(reading.frames) == 1
    (note,) = notes(reading)
    assert f"block at byte {len(sound)}" in note
    assert "reading stops there" in note or "read up to there" in note


def test_a_packet_longer_than_its_block(tmp_path: Path) -> None:
    """A block whose frame claims gigabytes ends the reading, with a note."""
    sound = section() + interface() + enhanced(b"abcd", 5)
    body = struct.pack("<IIIII", 0, 0, 6, 0xFFFFFFF0, 0xFFFFFFF0) + b"abcd"
    (note,) = notes(read_bytes(tmp_path, sound + block(6, body) + enhanced(b"abcd", 7)))
    assert "has less room than the 4,294,967,280 bytes it claims to hold" in note


@pytest.mark.parametrize("size", [0xFFFF, 0x8000, 5])
@pytest.mark.parametrize("where", ["section", "interface", "packet", "statistics"])
def test_options_that_point_outside(tmp_path: Path, where: str, size: int) -> None:
    """Options whose length points behind the block's end are left out; every frame is read all the same."""
    outside = option(4, bytes(8)) + struct.pack("<HH", 4, size) + bytes(4)
    of = {
        name: outside if name == where else b"" for name in ("section", "interface", "packet", "statistics")
    }
    data = section(options=of["section"]) + interface(options=of["interface"])
    data += enhanced(b"abcd", 5, options=of["packet"]) + statistics(0, of["statistics"]) + simple(b"efgh")
    reading: Reading = read_bytes(tmp_path, data)
    assert [frame.data for frame in reading.frames] == [b"abcd", b"efgh"]
    told = ["damaged options" in note for note in notes(reading)]
    assert told == ([True] if where in ("interface", "statistics") else [])
    assert reading.counters[0].epb_dropcount == (0 if where == "packet" else None)


def test_blocks_without_end(tmp_path: Path) -> None:
    """Interfaces beyond any number, sections and unknown blocks by the ten thousand: read, or a note; bounded."""
    count = 70_000
    many = section() + interface() * count + enhanced(b"abcd", 5)
    (note,) = notes(read_bytes(tmp_path, many))
    assert "describes the 65,537th interface of one section" in note
    anew = section() + (section() + block(0xBAD, b"1234")) * count + interface() + enhanced(b"abcd", 5)
    reading = read_bytes(tmp_path, anew)
    assert (len(reading.frames), notes(reading)) == (1, [])


def test_times_at_the_edge(tmp_path: Path) -> None:
    """The last microsecond that pcap can say is read as it is."""
    last = (1 << 32) - 1
    reading = read_bytes(tmp_path, pcap([0]) + struct.pack("<4I", last, 999_999, 1, 1) + b"x")
    assert reading.frames[-1].time_ns == last * 10**9 + 999_999_000
