"""Stories of the recordings of real traffic: what was done is told, when it was done."""

from __future__ import annotations

import pytest

from mbsniff.report.story_page import story_page
from mbsniff.site import Site
from mbsniff.story import Ask, tell
from tests.story.told import (
    NS,
    PLANTED,
    RECORDINGS,
    SAMPLES,
    UTC,
    diagnosis_of,
    kinds,
    planted,
    sample,
    seconds,
    story_of,
    texts,
)

DUE = {name: r for name, r in RECORDINGS.items() if r["due"]}
CYCLE_S = 1.1  # the masters' cycle: so long before it was done the last healthy exchange may be, and after it the first
SLOW_TO_SHOW = {  # seconds from what was done to its first effect on the feeds, or from its end
    "address-conflict": 2, "device-saturated": 4, "device-slow": 4, "starved-by-neighbour": 3, "zone-switched-off": 1.5,
}  # fmt: skip

TOLD: dict[str, tuple[str, ...]] = {
    "master-killed": ("asked-nobody", "closed", "others-silent", "host-alive"),
    "master-stopped": ("asked-nobody", "others-silent", "host-alive"),
    "master-idle": ("asked-nobody", "probed", "others-silent"),
    "poll-dropped": ("asked-others",),
    "device-link-down": (
        "no-reply",
        "sent-again",
        "connect-unanswered",
        "reset",
        "asked-others",
        "announced",
    ),
    "master-link-down": ("asked-nobody", "lookup-unanswered", "host-silent", "announced"),
    "trunk-down": ("others-silent", "others-no-reply", "sent-again"),
    "return-path-lost": ("replied-again", "sent-again"),
    "device-stalled": ("taken-no-reply", "connected"),
    "replies-late": ("late-reply",),
    "device-saturated": ("slow-reply", "exception", "taken-no-reply"),
    "device-slow": ("slow-reply", "taken-no-reply"),
    "no-free-slot": ("connect-refused", "asked"),
    "port-closed": ("closed", "connect-refused"),
    "device-restarted": ("sent-again", "reset", "announced"),
    "address-conflict": ("connect-refused", "connect-unanswered", "claimed", "other-origin"),
    "address-moved": ("lease-other", "announced-other", "lookup-unanswered"),
    "flow-forgotten": ("sent-again", "asked"),
    "target-dead": ("exception",),
    "connection-ended": ("closed", "connected"),
    "feed-wrong": ("asked", "reset-trip"),
    "zone-switched-off": ("wrote-zero",),
    "window-closed": ("window-closed", "window-opened"),
    "evicted": ("closed", "connected"),
    "link-back": ("sent-again", "announced"),
    "lease-refused": ("lease-lost", "sent-again"),
    "spanning-tree-change": ("others-silent", "sent-again", "tree-changed"),
    "broadcast-storm": ("others-silent", "sent-again", "storm"),
}
NO_TRIP_LEFT = ("port-closed", "device-restarted")  # their zones start anew and know of no trip
NO_STATUS = ("target-dead", "link-back")  # not named; read before it was due, and answered after


@pytest.mark.parametrize("name", DUE)
def test_the_story_reaches_over_what_was_done(name: str) -> None:
    """From the last healthy exchange, a cycle before at most, to the first one after it was undone."""
    story, done = planted(name), DUE[name]
    assert story.is_fault and story.device.name in (*done["devices"], *done.get("also", {}))
    begin, end = seconds(story, story.from_ns), seconds(story, story.until_ns)
    within = PLANTED["within_s"] + CYCLE_S + SLOW_TO_SHOW.get(name, 0)
    assert abs(begin - done["from_s"]) <= within
    assert abs(end - done["until_s"]) <= within


@pytest.mark.parametrize("name", DUE)
def test_marks_stand_in_order(name: str) -> None:
    """Last healthy exchange, watchdog due, first healthy exchange; steps in time order."""
    story = planted(name)
    told = kinds(story)
    assert told.index("last-healthy") < told.index("watchdog-due") < told.index("first-healthy")
    assert [step.from_ns for step in story.steps] == sorted(step.from_ns for step in story.steps)
    assert all(step.until_ns >= step.from_ns for step in story.steps)


@pytest.mark.parametrize("name", TOLD)
def test_what_decides_is_told(name: str) -> None:
    """The steps that show what was done are among the steps."""
    assert set(TOLD[name]) <= set(kinds(planted(name)))


@pytest.mark.parametrize("name", DUE)
def test_what_the_status_register_says(name: str) -> None:
    """The zones' own status registers tell that they fell back, with the frame in which they did."""
    told = [step for step in planted(name).steps if step.kind in ("fell-back", "no-trip")]
    if name in NO_STATUS:
        assert told == []
        return
    assert [step.kind for step in told] == ["no-trip" if name in NO_TRIP_LEFT else "fell-back"]
    assert told[0].evidence


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize("name", DUE)
def test_it_fits_a_screen(name: str, width: int) -> None:
    """At most thirty lines, none wider than the terminal, whatever happened; the marks are never left out."""
    lines = story_page(planted(name), width).splitlines()
    assert len(lines) <= 30
    assert max(len(line) for line in lines) <= width
    page = "\n".join(lines)
    assert "last healthy exchange" in page and "first healthy exchange" in page and "watchdog (3 s)" in page


def test_steps_name_their_frames() -> None:
    """Of the link-down recording: the frames of the unanswered request and of TCP's repeats, as its page tells."""
    story = story_of("link-down.pcap")
    asked = next(s for s in story.steps if s.kind == "no-reply")
    again = next(s for s in story.steps if s.kind == "sent-again")
    assert seconds(story, asked.from_ns) == pytest.approx(40.21, abs=0.01)
    assert [e.frame for e in asked.evidence] == [1391]
    assert again.count == 4 and "4 times until" in again.text
    assert seconds(story, again.from_ns) == pytest.approx(40.42, abs=0.01)
    assert seconds(story, again.until_ns) == pytest.approx(41.94, abs=0.01)


def test_masters_went_on_elsewhere() -> None:
    """Other zones' names are folded into one phrase."""
    assert "oven PLC and supervisory station went on asking zones 1, 2 and 4 to 6" in texts(
        story_of("link-down.pcap")
    )


def test_a_switch_fails_three_zones() -> None:
    """Zones behind one switch are told together."""
    story = planted("trunk-down", "zone 5")
    assert "zones 4 and 6 had no feed either" in texts(story)


def test_a_recorder_that_stopped() -> None:
    """Nobody is said to have been silent, or due for certain, for what the recording lacks."""
    story = planted("recorder-stopped")
    assert "asked-nobody" not in kinds(story) and "blank" in kinds(story)
    assert "may have been due" in story.summary and not story.is_fault


def test_a_setpoint_of_zero() -> None:
    """A moment without a silence: who wrote the zero, when, and that nothing was wrong with communication."""
    file = RECORDINGS["commanded"]["file"]
    story = story_of(file, PLANTED["site"], Ask(at="14:57:15", device="zone 3"))
    assert story.cause is not None and story.cause.code == "commanded"
    assert "no communication fault" in story.cause.text and story.cause.evidence
    assert not story.is_fault and "watchdog-due" not in kinds(story)


def test_a_master_that_others_stood_in_for() -> None:
    """The PLC's silence is told although the station's reads kept the watchdogs fed."""
    story = story_of("plc-silent.pcapng")
    assert story.is_fault and "asked-nobody" in kinds(story) and "watchdog-due" not in kinds(story)
    assert "which kept the watchdog fed" in texts(story)


def test_who_claims_an_address() -> None:
    """The second host is told by its hardware address, as the samples' page has it."""
    assert "another host claimed zone 3's address" in texts(planted("address-conflict"))
    assert "00-00-5E-00-53-99" in texts(planted("address-conflict"))


def test_who_floods() -> None:
    """The recipe terminal sent 800 look-ups a second."""
    storm = next(step for step in planted("broadcast-storm").steps if step.kind == "storm")
    assert "recipe terminal (00-00-5E-00-53-30)" in storm.text and "800" in storm.text


def test_which_address_was_given() -> None:
    """The lease named 192.0.2.63."""
    assert "gave zone 3 another address: 192.0.2.63" in texts(planted("address-moved"))


def test_everything() -> None:
    """Without folding each of TCP's repeats is a step of its own."""
    story = story_of("link-down.pcap", fold=False)
    assert kinds(story).count("sent-again") == 8
    assert all(step.count == 1 for step in story.steps if step.kind == "sent-again")
    assert len(story_page(story, 120, everything=True).splitlines()) > 30


def test_polls_that_are_slower_than_the_timeout() -> None:
    """Then every silence is too long, and the polling itself is the cause; no other device is said to have failed."""
    made = sample("healthy-shift.pcap", "oven.toml")
    slow = diagnosis_of([SAMPLES / "healthy-shift.pcap"], Site().with_options(watchdog_ns=NS // 2))
    assert tell(made, None, Ask(), UTC) is None
    story = tell(slow, None, Ask(), UTC)
    assert story is not None and story.cause is not None and story.cause.code == "asked-too-slowly"
    assert "others-silent" not in kinds(story)
