"""A silence in, whether it is one at all out: no longer than the device is used to."""

from __future__ import annotations

from mbsniff.diagnose.causes.seen import ABSENT, Seen
from mbsniff.diagnose.scene import Scene
from mbsniff.diagnose.wording import duration

USUAL = 1.5  # times the median period of the fastest feeding poll


def as_usual(scene: Scene) -> Seen:
    """The silence is one more period of the fastest poll that feeds, within jitter, and within the timeout."""
    fastest = scene.device.fastest_feeding_poll
    if fastest is None or fastest.period is None or scene.silence.shortest_ns > scene.limit_ns:
        return ABSENT
    if scene.until_ns - scene.from_ns > USUAL * fastest.period.median:
        return ABSENT
    rows = [r for r in (scene.silence.before, scene.silence.after) if r is not None]
    text = f"it is asked every {duration(fastest.period.median)}"
    return Seen(True, text, scene.case.request_frames(rows))
