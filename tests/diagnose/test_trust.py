"""What limits the trust in a recording: each doubt in a capture that gives reason for it, none in a sound one."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from mbsniff.capture import Clock
from mbsniff.diagnose import Diagnosis
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.trust import doubts, vantage_text
from tests.builders.measured import at, poll
from tests.builders.packets import ACK, PSH, SYN
from tests.builders.plant import DEVICE, MASTER, Plant
from tests.builders.readings import Site, read
from tests.builders.recorder import pcap, recorded
from tests.diagnose.built import diagnosis, every, master
from tests.diagnose.test_diagnosis import whole


def sound() -> Plant:
    """Twenty polls, one every half a second."""
    plant = Plant()
    poll(master(plant).handshake(), every(0.5, 0.5, 10.5))
    return plant


def told(plant: Plant) -> list[str]:
    """The doubts about a recording of all that went by."""
    found: list[str] = diagnosis(plant, background_s=None)["recording"]["doubts"]
    return found


def test_nothing_speaks_against_a_sound_recording() -> None:
    """No doubt at all."""
    assert told(sound()) == []


def test_repeated_frames() -> None:
    """The mirror port delivered three frames twice."""
    plant = sound()
    for sighting in plant.wire[5:8]:
        sighting.copies = (1000,)
    assert told(plant) == ["3 frames recorded twice; the copies were dropped"]


def test_unrecorded_bytes() -> None:
    """A request and a reply are lacking at two places."""
    plant = sound()
    plant.wire[9].lost = plant.wire[20].lost = True
    (doubt,) = told(plant)
    assert doubt.startswith("TCP shows 23 bytes that were sent but are not in the recording, in 2 places")


def test_cut_frames() -> None:
    """The recorder kept 45 bytes of two packets."""
    plant = sound()
    for sighting in plant.wire[5:7]:
        sighting.cut = 49
    assert "2 frames cut short by the recorder" in told(plant)


def test_damaged_frames() -> None:
    """A segment in the middle of the stream holds no message where one should begin."""
    plant = sound()
    at(plant, 11)
    link = master(plant, port=50000).handshake()
    link.segment(MASTER, b"\xff" * 40, ACK | PSH)
    (doubt,) = told(plant)
    assert doubt.startswith(
        "1 frame with a damaged header or without a message where one should begin (40 bytes"
    )


def written(tmp_path: Path, content: bytes) -> list[str]:
    path = tmp_path / "made.pcap"
    path.write_bytes(content)
    found: list[str] = read(path).json["recording"]["doubts"]
    return found


def test_a_clock_that_goes_back(tmp_path: Path) -> None:
    """Two frames carry times before that of the frame recorded just before them."""
    records = recorded(sound().wire)
    for place in (10, 20):
        records[place] = (records[place - 1][0] - 5_000_000, *records[place][1:])
    assert written(tmp_path, pcap(records)) == ["the clock goes back 2 times from a frame to the next"]


def test_a_file_that_ends_inside_a_record(tmp_path: Path) -> None:
    """The reader's note is passed on, under the file's name."""
    (doubt,) = written(tmp_path, pcap(recorded(sound().wire))[:-5])
    assert "made.pcap: " in doubt


def test_a_link_type_that_is_not_read(tmp_path: Path) -> None:
    """All frames of a link type without IP (here 147, for private use)."""
    content = bytearray(pcap(recorded(sound().wire)))
    struct.pack_into("<I", content, 20, 147)
    assert any("of a link type that is not read" in doubt for doubt in written(tmp_path, bytes(content)))


@pytest.mark.parametrize(("blank_s", "doubted"), [(4.9, False), (5.1, True)])
def test_one_long_blank(blank_s: float, doubted: bool) -> None:
    """Five seconds without a frame of any kind are told."""
    plant = Plant()
    poll(master(plant).handshake(), [*every(0.5, 0.5, 10), *every(0.5, 9.6 + blank_s, 20)])
    found = [doubt for doubt in told(plant) if "no frame of any kind" in doubt]
    assert bool(found) is doubted
    assert not doubted or "for 5.1 s from 03:04:14.600" in found[0]


def case_of(made: Diagnosis, **changes: object) -> Case:
    """The case, with other counters of its one file."""
    facts = replace(made.facts, files=[replace(made.facts.files[0], **changes)])
    return Case(made.exchange, facts, made.figures, made.site)


def test_the_recorders_own_loss_counters() -> None:
    """Frames that the recorder says it lost are added up; none counted, or nothing known, is no doubt."""
    made = whole(sound(), Site.empty())
    lost = case_of(made, file="a\x1b.pcapng", epb_dropcount=3, isb_ifdrop=4, isb_osdrop=None)
    assert doubts(lost) == ["a\\x1b.pcapng: the recorder itself counted 7 lost frames"]
    assert doubts(case_of(made, epb_dropcount=0, isb_ifdrop=0, isb_osdrop=0)) == []


def test_times_that_are_none() -> None:
    """Impossible times and frames without one."""
    made = whole(sound(), Site.empty())
    assert doubts(case_of(made, bad_times=1, untimed_frames=2)) == [
        "1 frame with an impossible time",
        "2 frames without a time of their own",
    ]


def test_notes_cannot_act() -> None:
    """What a reader says of a file is shown on one line, whatever the file put into it."""
    made = whole(sound(), Site.empty())
    (doubt,) = doubts(case_of(made, file="a\nb", notes=["odd \x1b[31m block"]))
    assert doubt == "a\\nb: odd \\x1b[31m block"


def test_the_gravest_comes_first() -> None:
    """What is lacking goes before what is double."""
    plant = sound()
    plant.wire[5].copies = (1000,)
    plant.wire[20].lost = True
    first, second = told(plant)
    assert ("TCP shows" in first, "recorded twice" in second) == (True, True)


def test_vantage_in_words() -> None:
    """How many handshakes it rests on; unknown without one."""
    made = whole(sound(), Site.empty())
    assert vantage_text(case_of(made)) == "between masters and devices, by 1 handshake"
    plant = Plant()
    poll(master(plant), every(0.5, 0.5, 10))
    assert vantage_text(case_of(whole(plant, Site.empty()))) == "unknown, since no handshake was recorded"


def test_no_doubt_rests_on_blanks_that_are_not_there() -> None:
    """A single frame has no stretch between frames."""
    made = whole(sound(), Site.empty())
    facts = replace(made.facts, blanks=np.zeros((0, 2), np.int64))
    assert doubts(Case(made.exchange, facts, made.figures, made.site)) == []


def clock(**known: object) -> list[str]:
    """The doubts about a sound recording of which this is known of a clock."""
    values: dict[str, object] = {
        "files": ["device.pcap"], "shift_ns": 0, "basis": "frames", "matches": 100, "agreeing": 100,
        "spread_ns": 0, "still_off_ns": 0,
    }  # fmt: skip
    made = whole(sound(), Site.empty())
    facts = replace(made.facts, clocks=[Clock(**{**values, **known})])  # type: ignore[arg-type]
    return doubts(Case(made.exchange, facts, made.figures, made.site))


@pytest.mark.parametrize(
    ("known", "said"),
    [
        (
            {"basis": "none", "matches": 0},
            "no frame shows how this recorder's clock compares with the others'",
        ),
        (
            {"shift_ns": -1_500_000_000},
            "times shifted by −1.5 s, as 100 frames that another recorder saw as well say",
        ),
        (
            {"shift_ns": 1, "agreeing": 60},
            "only 60 of these agree, so that a clock seems to have been set meanwhile",
        ),
        (
            {"shift_ns": 1, "spread_ns": 25_000_000},
            "they differ by up to 25 ms, and what lies nearer may be in the",
        ),
        ({"shift_ns": 2_000_000_000, "basis": "stated", "matches": 0}, "times shifted by +2 s, as stated"),
        (
            {"shift_ns": 1, "basis": "stated", "still_off_ns": 10**8},
            "say that +0.1 s is to be added to that",
        ),
    ],
)
def test_clocks(known: dict[str, object], said: str) -> None:
    """What was done about a recorder's clock, and what of it is uncertain."""
    (doubt,) = clock(**known)
    assert doubt.startswith("device.pcap: ")
    assert said in doubt


def test_copies_of_one_recorder_need_no_word_about_clocks() -> None:
    """Where two files agree to the nanosecond, nothing is to be said."""
    assert clock() == []


def test_what_was_left_unread(tmp_path: Path) -> None:
    """Damage amid a file: how much of it lies behind."""
    content = pcap(recorded(sound().wire))
    path = tmp_path / "damaged.pcap"
    path.write_bytes(content[:1000] + b"\xff" * (len(content) - 1000))
    (doubt,) = [text for text in read(path).json["recording"]["doubts"] if "reading stops there" in text]
    assert doubt.endswith(f" of its {len(content):,} bytes were not used)")


def test_a_flood_of_attempts() -> None:
    """A thousand connection attempts that nobody answers are counted; those of a master with requests are not."""
    plant = sound()
    for number in range(1000):
        ends = (f"198.51.100.{number % 250}", 2000 + number), (f"192.0.2.{60 + number % 2}", 502)
        plant.wait(0.001)
        plant.connection(*ends).segment(MASTER, flags=SYN)
    (doubt,) = told(plant)
    assert doubt.startswith("1,000 connection attempts of 250 addresses to 2 endpoints got no answer")
    assert "a scan or a flood" in doubt


def test_a_device_that_is_not_there() -> None:
    """A master that tries for long, with nobody there, is no flood."""
    plant = sound()
    for number in range(1200):
        plant.connection(("192.0.2.10", 2000 + number), ("192.0.2.60", 502)).segment(
            MASTER, flags=SYN, wait=0.001
        )
    (doubt,) = told(plant)
    assert doubt.startswith("1,200 connection attempts of 1 address to 1 endpoint got no answer")
    assert doubt.endswith("nobody is there, or something between drops them")


def test_attempts_that_are_no_flood() -> None:
    """Fewer attempts, or attempts that a device refuses, are no doubt."""
    plant = sound()
    for number in range(1500):
        connection = plant.connection(("192.0.2.10", 2000 + number), ("192.0.2.60", 502))
        connection.segment(MASTER, flags=SYN, wait=0.001)
        if number >= 900:
            connection.reset(DEVICE)
    assert told(plant) == []
