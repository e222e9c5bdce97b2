"""A silence in, the Cause that the table argues for out: how certain, what speaks against others, what remains."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.diagnose.case import MOST_EVIDENCE, Case
from mbsniff.diagnose.causes.evidence import BY_NAME, seen
from mbsniff.diagnose.causes.row import Neighbour, Row
from mbsniff.diagnose.causes.table import TABLE
from mbsniff.diagnose.finding import Certainty, Evidence
from mbsniff.diagnose.scene import Scene, scene_of
from mbsniff.measure import DeviceFigures, Silence

STEPS: tuple[Certainty, ...] = ("open", "likely", "certain")
DOUBTS = ("one-direction", "frames-lost", "clock-stepped")
"""Evidence about the recording that makes any other verdict a step less sure.

With the first, nothing is sure; with the second, nothing that rests on what was not seen.
"""
GAP = "recording-gap"
AGAINST = "against "


@dataclass(frozen=True)
class Cause:
    """What a silence is put down to."""

    code: str
    certainty: Certainty
    text: str
    evidence: tuple[Evidence, ...]
    against: tuple[str, ...] = ()
    """Sentences: what speaks against each neighbouring cause."""
    would_decide: tuple[str, ...] = ()
    """What would decide, where something remains."""
    rivals: tuple[tuple[str, str], ...] = ()
    """(cause, why it remains possible), the likeliest first."""
    advice: str = ""
    """What to do first."""
    nearest: str = ""
    """Of ``against``, the first that adds something to the text: that some evidence is not there."""


def cause_of(case: Case, device: DeviceFigures, silence: Silence, limit_ns: int) -> Cause:
    """The verdict on a silence, whether or not it is longer than the timeout (``limit_ns``)."""
    return verdict(scene_of(case, device, silence, limit_ns))


def verdict(scene: Scene) -> Cause:
    """The first row of the table that fits."""
    usual = bool(seen(scene, "as-usual").present)
    rows = [row for row in TABLE if row.in_health or not usual]
    first = next(place for place, row in enumerate(rows) if fits(scene, row))
    return _cause(scene, rows[first], rows[first + 1 :])


def recording_gap(scene: Scene) -> Cause | None:
    """The verdict that the recording itself is to blame, where it is one."""
    row = TABLE[0]
    return _cause(scene, row, ()) if fits(scene, row) else None


def fits(scene: Scene, row: Row) -> bool:
    """Whether all that has to be there is, and nothing that speaks against it."""
    return (
        all(seen(scene, name).present for name in row.all_of)
        and (not row.any_of or any(seen(scene, name).present for name in row.any_of))
        and not any(seen(scene, name).present for name in row.none_of)
    )


def _cause(scene: Scene, row: Row, further: list[Row] | tuple[()]) -> Cause:
    against, rivals, nearest = _neighbours(scene, row)
    also = [(other.code, _text(scene, other)) for other in further if _is_rival(scene, row, other)]
    doubts = _doubts(scene, row)
    out = {sentence.removeprefix(AGAINST).split(": ", 1)[0] for sentence in against}
    rivals = [each for each in (*also, *rivals) if each[0] not in out]
    rivals += [(GAP, seen(scene, name).text) for name in doubts]
    certainty = _certainty(scene, row, doubts)
    return Cause(
        code=row.code,
        certainty=certainty,
        text=_text(scene, row),
        evidence=_frames(scene, row),
        against=tuple(against),
        would_decide=row.decides if rivals or certainty != "certain" else (),
        nearest=nearest,
        advice=row.advice,
        rivals=tuple({code: (code, why) for code, why in reversed(rivals)}.values())[::-1],
    )


def _is_rival(scene: Scene, row: Row, other: Row) -> bool:
    return other.code not in (row.code, "none-seen") and fits(scene, other)


def _neighbours(scene: Scene, row: Row) -> tuple[list[str], list[tuple[str, str]], str]:
    """Sentences against neighbours, the neighbours that remain, and the first sentence that rests on an absence."""
    against, rivals, nearest = [], [], ""
    for neighbour in row.neighbours:
        sentence = _sentence(scene, neighbour)
        if sentence:
            against.append(f"{AGAINST}{neighbour.cause}: {sentence}")
            nearest = nearest or (against[-1] if neighbour.lacks else "")
        elif neighbour.remains:
            rivals.append((neighbour.cause, neighbour.remains))
    return against, rivals, nearest


def _sentence(scene: Scene, neighbour: Neighbour) -> str:
    """What speaks against a neighbour; empty where nothing does."""
    if neighbour.has and seen(scene, neighbour.has).present:
        return BY_NAME[neighbour.has].there
    if neighbour.lacks and seen(scene, neighbour.lacks).present is False:
        return BY_NAME[neighbour.lacks].lacking
    return ""


def _doubts(scene: Scene, row: Row) -> list[str]:
    """What about the recording makes the verdict less sure."""
    return [] if row.code == GAP else [name for name in DOUBTS if seen(scene, name).present]


def _certainty(scene: Scene, row: Row, doubts: list[str]) -> Certainty:
    surer = sum(all(seen(scene, name).present for name in each) for each in row.surer)
    step = min(STEPS.index(row.certainty) + surer, len(STEPS) - 1)
    if "one-direction" in doubts or ("frames-lost" in doubts and row.on_absence):
        return "open"
    if any(seen(scene, name).present is None for name in row.open_without):
        return "open"
    return STEPS[max(step - len(doubts), 0)]


def _text(scene: Scene, row: Row) -> str:
    """The cause in one sentence: how it begins, then the evidence that is there."""
    ways = {seen(scene, name).text: how for name, how in row.adds}
    texts = dict.fromkeys(seen(scene, name).text for name in _names(row) if seen(scene, name).present)
    parts = [ways.get(text, "{}").format(text) for text in texts]
    return ": ".join(filter(None, [row.says, ", ".join(filter(None, parts))]))


def _names(row: Row) -> list[str]:
    """The evidence that argues for a row."""
    return [*row.all_of, *row.any_of, *(name for name, _ in row.adds)]


def _frames(scene: Scene, row: Row) -> tuple[Evidence, ...]:
    """The frames of that evidence; those of the silence's two ends where it has none."""
    per_name = [found.frames for name in dict.fromkeys(_names(row)) if (found := seen(scene, name)).present]
    share = max(MOST_EVIDENCE // max(len(per_name), 1), 2) if len(per_name) > 1 else MOST_EVIDENCE
    frames = tuple(dict.fromkeys(frame for each in per_name for frame in each[:share]))
    ends = [r for r in (scene.silence.before, scene.silence.after) if r is not None]
    return frames or scene.case.request_frames(ends)
