"""What the recording did to the frames: copies change no verdict, and what it lacks makes one wider, not another."""

from __future__ import annotations

import pytest

from tests.causes.judge import Verdict, plain, verdicts
from tests.causes.kinds import by_device, deciding, lose
from tests.causes.not_yet import due
from tests.causes.pairs import WIDER, Pair
from tests.causes.test_pairs import SIDES

COPY_NS = 20_000
REST_ON_REPLIES = {
    "device-stalled", "replies-late", "device-saturated", "device-slow", "target-dead", "connect-refused",
    "device-restarted", "starved-by-neighbour",
}  # fmt: skip


def is_no_other(found: Verdict, pair: Pair, switch: bool) -> bool:
    """Whether a verdict is the true one, a wider one, or leaves it open."""
    return (
        found.cause in {*pair.verdict(switch).causes, *pair.wider, *WIDER, None} or found.certainty == "open"
    )


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_copies_change_no_verdict(pair: Pair, switch: bool, request: pytest.FixtureRequest) -> None:
    """The mirror port delivers every frame twice."""
    due(request, "copies", pair, switch)
    doubled = pair.scene(switch)
    for sighting in doubled.plant.wire:
        sighting.copies = (COPY_NS,)
    found = verdicts(doubled, pair)
    said = {name: (v.cause, v.certainty) for name, v in plain(pair, switch)[1].items()}
    assert {name: (v.cause, v.certainty) for name, v in found.items()} == said


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_one_direction_gives_no_verdict_on_replies(
    pair: Pair, switch: bool, request: pytest.FixtureRequest
) -> None:
    """Only the masters' segments were recorded: what rests on the devices' is left open, and nothing else is named."""
    due(request, "one way", pair, switch)
    oven = pair.scene(switch)
    for sighting in oven.plant.wire:
        sighting.lost |= by_device(sighting)
    found = verdicts(oven, pair)
    said = {name: v for name, v in found.items() if v.cause in REST_ON_REPLIES and v.certainty != "open"}
    assert said == {}
    assert {name: v for name, v in found.items() if not is_no_other(v, pair, switch)} == {}


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_lost_evidence_makes_no_other_verdict(
    pair: Pair, switch: bool, request: pytest.FixtureRequest
) -> None:
    """The recorder lost the deciding frames, and others with them, as TCP shows: the verdict is wider or open."""
    oven = pair.scene(switch)
    frames = deciding(oven.plant, pair.scene(not switch).plant)
    if not frames or not lose(oven.plant, frames):
        pytest.skip("this side is decided by what is absent")
    due(request, "lost", pair, switch)
    found = verdicts(oven, pair)
    assert {name: v for name, v in found.items() if not is_no_other(v, pair, switch)} == {}
