"""Moments in, the steps of a story out: those alike within one phase are folded into one sentence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Evidence
from mbsniff.diagnose.wording import between, counted
from mbsniff.errors import one_line
from mbsniff.story.kinds import BY_CODE
from mbsniff.story.story import Step
from mbsniff.story.times import Times

TWICE = {2: "twice"}
APART_NS, APART = 3_000_000_000, 3  # longer than this, and than so many times the wait before: not folded
LENGTH = "<length>"  # in what is said of a moment: stands for its length, or the lengths of those folded


@dataclass(frozen=True)
class Moment:
    """One thing that happened; ``frames`` are ordinals in the recording, the first and the last."""

    kind: str
    time_ns: int
    frames: tuple[int, ...] = ()
    who: str = ""
    whom: str = ""
    what: str = ""
    until_ns: int | None = None
    """Where a stretch ends."""
    group: str = ""
    """Moments with the same one are folded, though what is said of them differs; the last one's is told."""
    length_ns: int | None = None
    """What LENGTH stands for."""
    evidence: tuple[Evidence, ...] = ()
    """Frames by file and number, where there are no ordinals."""


@dataclass(frozen=True)
class Phases:
    """Where the silence, or the moment asked for, begins and ends; what lies in different phases is not folded."""

    from_ns: int
    until_ns: int

    def of(self, time_ns: int) -> int:
        """0 before, 1 within, 2 after."""
        return 0 if time_ns < self.from_ns else 1 if time_ns <= self.until_ns else 2


def steps_of(
    moments: Iterable[Moment], case: Case, times: Times, phases: Phases, *, fold: bool
) -> list[Step]:
    """The steps in time order; without ``fold`` one for each moment."""
    told = [m for m in moments if phases.of(m.time_ns) == 1 or BY_CODE[m.kind].is_context]
    runs: list[list[Moment]] = []
    newest: dict[object, list[Moment]] = {}
    for moment in sorted(told, key=_order):
        alike = (moment.kind, moment.who, moment.whom, moment.group or moment.what, phases.of(moment.time_ns))
        run = newest.get(alike)
        if run is None or not fold or not BY_CODE[moment.kind].many or _is_apart(run, moment):
            runs.append(run := [])
            newest[alike] = run
        run.append(moment)
    steps = [_step(run, case, times) for run in runs]
    return sorted(steps, key=lambda step: (step.from_ns, -step.weight, step.until_ns))


def _is_apart(run: list[Moment], moment: Moment) -> bool:
    """Whether so much time lies between that it reads as something new; waits that double, as TCP's, do not."""
    gaps = [b.time_ns - a.time_ns for a, b in pairwise(run[-2:])]
    return moment.time_ns - run[-1].time_ns > max([APART_NS, *(APART * gap for gap in gaps)])


def _order(moment: Moment) -> tuple[int, int, int]:
    return moment.time_ns, min(moment.frames, default=0), -BY_CODE[moment.kind].weight


def _step(alike: list[Moment], case: Case, times: Times) -> Step:
    first, last = alike[0], alike[-1]
    kind = BY_CODE[first.kind]
    until_ns = max(m.until_ns or m.time_ns for m in alike)
    words = {"who": first.who, "whom": first.whom, "what": last.what if first.group else first.what}
    lengths = [m.length_ns for m in alike if m.length_ns is not None]
    if lengths:
        words["what"] = words["what"].replace(LENGTH, between(min(lengths), max(lengths)))
    if len(alike) > 1:
        times_text = TWICE.get(len(alike), counted(len(alike), "time"))
        words["times"] = f"{times_text} until {times.clock(until_ns)}"
    text = (kind.many if len(alike) > 1 else kind.one).format(**words)
    ordinals = [frame for moment in alike for frame in moment.frames]
    shown = dict.fromkeys([min(ordinals), max(ordinals)] if ordinals else [])
    evidence = tuple(case.frame(ordinal) for ordinal in shown) or first.evidence
    return Step(first.kind, first.time_ns, until_ns, len(alike), one_line(text), evidence, kind.weight)
