"""What the recording did to the frames: copies change no verdict, and what it lacks makes one wider, not another."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.causes.circumstances import begun_late, cut_short, ended_early, routed, tagged
from tests.causes.judge import Verdict, plain, verdicts
from tests.causes.kinds import by_device, deciding, lose
from tests.causes.not_yet import due
from tests.causes.oven import Oven
from tests.causes.pairs import WIDER, Pair
from tests.causes.test_pairs import SIDES

COPY_NS = 20_000
REST_ON_REPLIES = {
    "device-stalled", "replies-late", "device-saturated", "device-slow", "target-dead", "connect-refused",
    "device-restarted", "starved-by-neighbour",
}  # fmt: skip


def is_no_other(found: Verdict, pair: Pair, switch: bool) -> bool:
    """Whether a verdict is the true one, a wider one, leaves it open, or is likely with the true one as a rival."""
    true = pair.verdict(switch).causes
    if found.cause in {*true, *pair.wider, *WIDER, None} or found.certainty == "open":
        return True
    return found.certainty == "likely" and bool(true & found.rivals)


def others(found: dict[str, Verdict], pair: Pair, switch: bool) -> dict[str, Verdict]:
    """The verdicts that put it down to another cause."""
    return {name: verdict for name, verdict in found.items() if not is_no_other(verdict, pair, switch)}


def said(found: dict[str, Verdict]) -> dict[str, tuple[str | None, str | None]]:
    """Causes and certainties."""
    return {name: (verdict.cause, verdict.certainty) for name, verdict in found.items()}


@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_copies_tags_and_cut_frames_change_no_verdict(
    pair: Pair, switch: bool, request: pytest.FixtureRequest
) -> None:
    """The mirror port delivers every frame twice, with a VLAN tag, and the recorder keeps 96 bytes of it."""
    due(request, "copies", pair, switch)
    oven = cut_short(tagged(pair.scene(switch)))
    for sighting in oven.plant.wire:
        sighting.copies = (COPY_NS,)
    found = verdicts(oven, pair)
    if pair.name == "lease-refused":  # leases are longer than that
        assert others(found, pair, switch) == {}
    else:
        assert said(found) == said(plain(pair, switch)[1])


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
    assert [v for v in found.values() if v.cause in REST_ON_REPLIES and v.certainty != "open"] == []
    assert others(found, pair, switch) == {}


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
    assert others(found, pair, switch) == {}


@pytest.mark.parametrize("seen", [routed, begun_late, ended_early], ids=lambda seen: str(seen.__name__))
@pytest.mark.parametrize(("pair", "switch"), SIDES)
def test_what_a_recorder_does_not_see_makes_no_other_verdict(
    pair: Pair, switch: bool, seen: Callable[[Oven], Oven], request: pytest.FixtureRequest
) -> None:
    """Behind a router, with little of what went before, or with nothing of what came after."""
    if seen is ended_early and pair.name == "bytes-lacking":
        pytest.skip("that bytes lack shows only when the connection goes on")
    due(request, seen.__name__.replace("_", " "), pair, switch)
    assert others(verdicts(seen(pair.scene(switch)), pair), pair, switch) == {}
