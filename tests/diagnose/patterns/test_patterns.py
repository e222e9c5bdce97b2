"""Each pattern of the field is found where it is shown, and its look-alikes are not taken for it."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import pytest

from mbsniff.diagnose.catalogue import BY_CODE
from mbsniff.diagnose.patterns.catalogue import PATTERNS
from mbsniff.site.limits import Limits
from tests.builders.plant import Plant
from tests.diagnose.built import codes, diagnosis
from tests.diagnose.patterns.plants import healthy
from tests.diagnose.patterns.scenes import SCENES, Scene

NEW = {kind.code for kind in PATTERNS}
SHOWN = {scene.code: scene for scene in SCENES}


@functools.cache
def diagnosed(plant_of: Callable[[], Plant]) -> dict[str, Any]:
    """The JSON of a scene, whose site states no limits."""
    return diagnosis(plant_of(), Limits())


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.code)
def test_the_pattern_is_found(scene: Scene) -> None:
    """Once, at a level that its table names, with frames and advice."""
    found = [f for f in diagnosed(scene.shows)["findings"] if f["code"] == scene.code]
    assert len(found) == 1
    assert found[0]["level"] in BY_CODE[scene.code].level
    assert found[0]["evidence"] and found[0]["advice"] == BY_CODE[scene.code].advice
    assert found[0]["from"] <= found[0]["until"]


@pytest.mark.parametrize(
    ("scene", "number"),
    [(scene, number) for scene in SCENES for number in range(len(scene.look_alikes))],
    ids=lambda value: value.code if isinstance(value, Scene) else str(value),
)
def test_its_look_alike_is_not_taken_for_it(scene: Scene, number: int) -> None:
    """Another thing that looks like it on the wire."""
    assert scene.code not in codes(diagnosed(scene.look_alikes[number]))


def test_every_pattern_has_a_scene() -> None:
    """No code of the table is without a plant that shows it and one that looks alike."""
    assert SHOWN.keys() >= NEW
    assert all(scene.look_alikes for scene in SCENES)


def test_a_healthy_plant_shows_no_pattern() -> None:
    """Once a second, all answered."""
    assert not codes(diagnosed(healthy)) & NEW


def test_every_scene_is_whole() -> None:
    """No scene lacks bytes or has any out of order by mistake: what it shows is the pattern alone."""
    for scene in SCENES:
        for plant_of in (scene.shows, *scene.look_alikes):
            assert diagnosed(plant_of)["recording"]["unrecorded_bytes"] == 0, plant_of
