"""What the recording itself did to the frames is not taken for a pattern, and does not hide one."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from mbsniff.diagnose.patterns.catalogue import PATTERNS
from mbsniff.site.limits import Limits
from tests.builders.plant import Plant, Sighting
from tests.diagnose.built import codes, diagnosis
from tests.diagnose.patterns.messages import two_requests
from tests.diagnose.patterns.plants import healthy
from tests.diagnose.patterns.scenes import SCENES, Scene

NEW = {kind.code for kind in PATTERNS}
BY_REQUESTS = {
    "life-sign-frozen", "reconnect-storm", "probes-only", "serial-framing", "address-shared", "address-moved"
}  # fmt: skip
"""What a master's frames, and frames beside TCP, show."""


def found(plant: Plant) -> set[str]:
    """The patterns found, without those that the recording leaves open."""
    made = diagnosis(plant, Limits())
    return {f["code"] for f in made["findings"] if f["code"] in NEW and f["certainty"] != "open"}


def by_device(sighting: Sighting) -> bool:
    """Whether the packet comes from port 502 (IPv4 without options)."""
    return sighting.packet[20:22] == (502).to_bytes(2, "big")


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.code)
def test_one_direction_yields_no_verdict_on_replies(scene: Scene) -> None:
    """Where only the masters' frames were recorded, nothing is said that rests on the device's."""
    plant = scene.shows()
    for sighting in plant.wire:
        sighting.lost = by_device(sighting)
    assert found(plant) <= BY_REQUESTS


@pytest.mark.parametrize("every", [2, 3, 7])
@pytest.mark.parametrize(
    "plant_of", [healthy, two_requests(True, second=True), two_requests(False, second=True)]
)
def test_lost_replies_are_no_pattern(plant_of: Callable[[], Plant], every: int) -> None:
    """Every second, third or seventh reply is missing from the recording alone."""
    plant = plant_of()
    replies = [s for s in plant.wire if by_device(s) and len(s.packet) > 40]
    for sighting in replies[::every]:
        sighting.lost = True
    assert not found(plant)


def test_second_replies_that_the_recording_lost_are_not_missing() -> None:
    """The device answers both of two requests; the recorder has only the first reply of each."""
    plant = two_requests(True, second=True)()
    for one, two in zip(plant.wire, plant.wire[1:], strict=False):
        both = by_device(one) and by_device(two) and len(one.packet) > 40 and len(two.packet) > 40
        two.lost = both
    assert not found(plant)


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.code)
def test_copies_change_no_pattern(scene: Scene) -> None:
    """Every frame twice, 20 µs apart: the same codes."""
    plant = scene.shows()
    for sighting in plant.wire:
        sighting.copies = (20_000,)
    assert codes(diagnosis(plant, Limits())) == codes(diagnosis(scene.shows(), Limits()))


@pytest.mark.parametrize("step_s", [-30, 30])
def test_a_clock_step_is_no_pattern(step_s: int) -> None:
    """From the middle on all times are 30 s off, for all connections alike."""
    plant = healthy()
    for sighting in plant.wire[len(plant.wire) // 2 :]:
        sighting.time_ns += step_s * 10**9
    assert not found(plant)
