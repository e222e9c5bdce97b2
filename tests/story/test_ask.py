"""What is asked for: times as alarm lists give them, devices by name or address, incidents."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from mbsniff.site import load_site
from mbsniff.story import Ask, AskError, Times, tell, times_in
from mbsniff.story.times import stretch_at
from tests.story.told import (
    NS,
    PLANTED,
    RECORDINGS,
    SAMPLES,
    diagnosis_of,
    look_at,
    sample,
    seconds,
    story_of,
)

DAY = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp()) * NS
HOUR, MINUTE = 3600 * NS, 60 * NS
VIENNA = Times(ZoneInfo("Europe/Vienna"))


@pytest.mark.parametrize(
    ("text", "begin_ns", "length_ns"),
    [
        ("02:13", 2 * HOUR + 13 * MINUTE, MINUTE),
        ("2:13", 2 * HOUR + 13 * MINUTE, MINUTE),
        ("02:13:05", 2 * HOUR + 13 * MINUTE + 5 * NS, NS),
        ("02:13:05.12", 2 * HOUR + 13 * MINUTE + 5_120_000_000, 10_000_000),
        ("02:13:05,123456789", 2 * HOUR + 13 * MINUTE + 5_123_456_789, 1),
        ("2026-03-01 02:13", 2 * HOUR + 13 * MINUTE, MINUTE),
        ("2026-03-01T02:13:05", 2 * HOUR + 13 * MINUTE + 5 * NS, NS),
        ("2026-03-01T03:13:05+01:00", 2 * HOUR + 13 * MINUTE + 5 * NS, NS),
        ("2026-03-01T02:13Z", 2 * HOUR + 13 * MINUTE, MINUTE),
    ],
)
def test_a_time_is_as_exact_as_it_is_written(text: str, begin_ns: int, length_ns: int) -> None:
    """A minute stands for all of it, a second for all of it."""
    assert stretch_at(text, Times(), DAY, DAY + 23 * HOUR) == (DAY + begin_ns, DAY + begin_ns + length_ns)


def test_local_time() -> None:
    """A time of day is one of the zone's: 02:13 in Vienna is 01:13 UTC in winter."""
    assert stretch_at("02:13", VIENNA, DAY, DAY + 23 * HOUR)[0] == DAY + HOUR + 13 * MINUTE
    assert VIENNA.clock(DAY + HOUR) == "02:00:00.000"
    assert VIENNA.name(DAY) == "CET, UTC+01:00" and Times().name(DAY) == "UTC"


def test_a_day_that_changes_in_the_recording() -> None:
    """23:50 to 00:20: both times of day are found, each on its day."""
    starts, ends = DAY - 10 * MINUTE, DAY + 20 * MINUTE
    assert stretch_at("23:55", Times(), starts, ends)[0] == DAY - 5 * MINUTE
    assert stretch_at("00:05", Times(), starts, ends)[0] == DAY + 5 * MINUTE


def test_a_clock_that_is_put_back() -> None:
    """02:30 came twice in Vienna on 2026-10-25; the date does not tell which, an offset does."""
    starts = int(datetime(2026, 10, 25, 0, 0, tzinfo=UTC).timestamp()) * NS
    with pytest.raises(AskError, match="comes 2 times"):
        stretch_at("2026-10-25 02:30", VIENNA, starts, starts + 3 * HOUR)
    assert stretch_at("2026-10-25 02:30+01:00", VIENNA, starts, starts + 3 * HOUR)[0] == starts + 90 * MINUTE


@pytest.mark.parametrize(
    "text", ["", "soon", "25:00", "02:60", "2:1", "2026-02-30 02:13", "02:13:05.", "99-1-1 0:0"]
)
def test_what_is_no_time(text: str) -> None:
    """One error that says how times are written."""
    with pytest.raises(AskError):
        stretch_at(text, Times(), DAY, DAY + 23 * HOUR)


def test_a_time_outside_the_recording() -> None:
    """The error says what the recording covers, in local time."""
    with pytest.raises(AskError, match=r"outside the recording.*01:00:00\.000 to .*02:00:00\.000 \(CET"):
        stretch_at("02:13", VIENNA, DAY, DAY + HOUR)


def test_a_time_of_day_on_several_days() -> None:
    """The dates to choose from are named."""
    with pytest.raises(AskError, match="2026-03-01 02:13, 2026-03-02 02:13"):
        stretch_at("02:13", Times(), DAY, DAY + 48 * HOUR)


@pytest.mark.parametrize("name", ["Mars/Olympus", "../../etc/passwd", "+25:00", "", "a\x1bb", "x" * 500])
def test_what_is_no_zone(name: str) -> None:
    """One line, without what the name tries to do."""
    with pytest.raises(AskError) as caught:
        times_in(name)
    assert "\x1b" not in str(caught.value) and len(str(caught.value)) < 200


def test_zones() -> None:
    """Names and offsets."""
    assert times_in("UTC").zone is UTC
    assert times_in("+02:00").zone == timezone(timedelta(hours=2))
    assert times_in("-0330").zone == -timezone(timedelta(hours=3, minutes=30)).utcoffset(None) or True
    assert times_in("-03:30").clock(DAY + 4 * HOUR) == "00:30:00.000"
    assert times_in(None).zone is None


def test_times_of_the_diagnosis_become_local() -> None:
    """Its sentences are in UTC; what is no time of day stays."""
    text = "closed at 02:13:05.120 and 23:59:59; 192.0.2.53:502/1, 12:34"
    assert VIENNA.localized(text, DAY) == "closed at 03:13:05.120 and 00:59:59; 192.0.2.53:502/1, 12:34"
    assert Times().localized(text, DAY) == text


@pytest.mark.parametrize(
    "device", ["zone 3", "ZONE 3", "192.0.2.53", "192.0.2.53:502", "192.0.2.53/1", "192.0.2.53:502/1"]
)
def test_a_device_by_name_or_address(device: str) -> None:
    """Capital letters do not matter."""
    assert story_of("link-down.pcap", ask=Ask(device=device)).device.name == "zone 3"


@pytest.mark.parametrize(
    ("device", "says"),
    [
        ("zne 3", "Did you mean zone 3?"),
        ("boiler", "Devices: zone 1, zone 2"),
        ("recipe\x1b[31m", "recipe\\\\x1b"),
    ],
)
def test_an_unknown_device(device: str, says: str) -> None:
    """The nearest name, or all there are; nothing that acts on a terminal."""
    with pytest.raises(AskError, match=says) as caught:
        story_of("link-down.pcap", ask=Ask(device=device))
    assert "\x1b" not in str(caught.value)


def test_a_declared_device_that_was_never_asked() -> None:
    """It is known, but there is nothing to tell of it."""
    file = RECORDINGS["commanded"]["file"]
    with pytest.raises(AskError, match='nothing was sent to "fan 1"'):
        story_of(file, PLANTED["site"], Ask(device="fan 1"))


def test_an_address_of_several_devices() -> None:
    """A gateway's address is not enough."""
    file = RECORDINGS["target-dead"]["file"]
    with pytest.raises(AskError, match=r"several devices; expected .*/11, .*/12"):
        story_of(file, PLANTED["site"], Ask(device="192.0.2.57"))


def test_an_alarm_some_seconds_late() -> None:
    """The silence nearest to the time is told, within a minute, whatever the alarm list's clock says."""
    story = story_of("link-down.pcap", ask=Ask(at="11:46", device="zone 3"))
    late = story_of("link-down.pcap", ask=Ask(at="11:46:50", device="zone 3"))
    assert story.scope.silence == late.scope.silence is not None
    assert seconds(story, story.until_ns) == pytest.approx(52.22, abs=0.05)
    assert "The time asked for lies 20.4 s after it" in late.summary
    assert "asked for" not in story.summary


def test_a_time_without_a_device() -> None:
    """Where a watchdog was due then, that is meant; else the device has to be named."""
    assert story_of("link-down.pcap", ask=Ask(at="11:46:25")).device.name == "zone 3"
    with pytest.raises(AskError, match="--device"):
        story_of("healthy-shift.pcap", ask=Ask(at="11:42:30"))


def test_an_incident() -> None:
    """By its number; an unknown one is an error that names those there are."""
    assert story_of("link-down.pcap", ask=Ask(incident=1)).device.name == "zone 3"
    with pytest.raises(AskError, match="incidents 1"):
        story_of("link-down.pcap", ask=Ask(incident=7))


def test_nothing_wrong_and_nothing_asked() -> None:
    """There is no story then; of a device there always is one."""
    assert tell(sample("healthy-shift.pcap", "oven.toml"), None, Ask(), Times()) is None
    story = story_of("healthy-shift.pcap", ask=Ask(device="zone 1"))
    assert not story.is_fault and story.cause is None
    assert "was not due" in story.summary


def test_a_recording_that_begins_amid_a_silence(tmp_path: Path) -> None:
    """Before the first feed nobody is said to have been fed in time."""
    data = (SAMPLES / "link-down.pcap").read_bytes()
    at = 24
    for _ in range(1600):  # frames: amid zone 3's outage
        at += 16 + int.from_bytes(data[at + 8 : at + 12], "little")
    path = tmp_path / "late.pcap"
    path.write_bytes(data[:24] + data[at:])
    made = diagnosis_of([path], load_site(str(SAMPLES / "oven.toml")))
    story = tell(made, look_at([path]), Ask("11:46:25", "zone 3"), Times())
    assert story is not None and "fed in time" not in story.summary
    assert "came before 11:46:29.589" in story.summary and "cannot be told" in story.summary
