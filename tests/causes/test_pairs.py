"""Each cause of a silence against its neighbours: where the deciding evidence is another, so is the verdict."""

from __future__ import annotations

import pytest

from tests.causes.judge import plain
from tests.causes.kinds import differing
from tests.causes.not_yet import due
from tests.causes.pairs import PAIRS, Pair

CAUSES = {
    "master-stopped", "master-not-heard", "poll-dropped", "starved-by-neighbour", "device-unreachable",
    "flow-dead", "device-stalled", "device-saturated", "device-slow", "replies-late", "target-dead",
    "device-restarted", "connect-refused", "connection-ended", "address-conflict", "address-moved",
    "path-event", "feed-wrong", "commanded", "recording-gap", "none-seen",
}  # fmt: skip
SIDES = [
    pytest.param(pair, switch, id=f"{pair.name}-{'on' if switch else 'off'}")
    for pair in PAIRS
    for switch in (False, True)
]


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_the_verdict_goes_with_the_evidence(pair: Pair, switch: bool, request: pytest.FixtureRequest) -> None:
    """On every device concerned: the cause of this side, certain or likely."""
    due(request, "plain", pair, switch)
    wanted = pair.verdict(switch)
    assert {name: one for name, one in plain(pair, switch)[1].items() if not one.is_as(wanted)} == {}


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_both_sides_differ_in_the_deciding_evidence_alone(pair: Pair) -> None:
    """In no other kind of frame than the pair names, and in each of these."""
    off, on = pair.scene(False).plant, pair.scene(True).plant
    assert differing(off, on) == pair.differs
    one, two = ([(s.time_ns, s.packet) for s in plant.wire if not s.lost] for plant in (off, on))
    assert one != two


def test_every_cause_has_a_pair() -> None:
    """No cause is without a capture in which it is the verdict."""
    assert {cause for pair in PAIRS for side in (pair.off, pair.on) for cause in side.causes} == CAUSES
    assert len({pair.name for pair in PAIRS}) == len(PAIRS)


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_every_scene_is_whole(pair: Pair, switch: bool) -> None:
    """Nothing is missing or damaged by mistake: only where the recorder lost frames do bytes lack."""
    recording = plain(pair, switch)[0]["recording"]
    lacks = switch and pair.name in ("bytes-lacking", "recorder-away", "replies-recorded")
    assert recording["undecodable_frames"] == recording["repeated_frames"] == 0
    assert (recording["unrecorded_bytes"] > 0) == lacks


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_no_other_device_is_accused(pair: Pair, switch: bool) -> None:
    """Watchdogs are due on the devices concerned alone, and none where a mere moment is judged."""
    due = {f["name"] for f in plain(pair, switch)[0]["findings"] if f["code"] == "watchdog-due"}
    concerned = set() if pair.moment and (switch or pair.name != "writes-go-on") else set(pair.devices)
    assert due - pair.beside == concerned - pair.beside
