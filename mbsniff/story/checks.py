"""A story of a deliberate outage in, the verdict of each check of an acceptance drill out; CHECKS is the table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from mbsniff.diagnose.finding import Evidence
from mbsniff.diagnose.wording import between, duration
from mbsniff.measure.silences import limit_ns
from mbsniff.story.marks import due_between
from mbsniff.story.names import called
from mbsniff.story.story import Story

Outcome = Literal["pass", "fail", "cannot tell"]
OUTCOMES: tuple[Outcome, ...] = (
    "fail",
    "cannot tell",
    "pass",
)  # the first that holds for any check is the record's


@dataclass(frozen=True)
class Result:
    """What was required, what was seen, and the verdict."""

    outcome: Outcome
    required: str
    seen: str
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Row:
    """A check; ``judge`` gives None where the site file does not state what it needs."""

    code: str
    title: str
    judge: Callable[[Story], Result | None]


def overall(results: Sequence[tuple[str, Result]]) -> Outcome:
    """The record's verdict: any that failed, else any that cannot be told (but those of OPTIONAL), else pass."""
    held = {r.outcome for code, r in results if not (code in OPTIONAL and r.outcome == "cannot tell")}
    return next((outcome for outcome in OUTCOMES if outcome in held), "cannot tell")


def _limit(story: Story) -> int:
    return limit_ns(story.device.limits) or 0


def _timeout(story: Story) -> str:
    limits = story.device.limits
    return f"{duration(limits.watchdog_ns or 0)} with {limits.tolerance:.0%} tolerance"


def _recorded(story: Story) -> Result:
    """The recording is whole where it counts."""
    required = "nothing that could have fed the watchdog is missing in the recording"
    if story.scope.is_doubted:
        return Result("cannot tell", required, story.cause.text if story.cause else "the recording has gaps")
    return Result("pass", required, "nothing missing")


def _healthy_before(story: Story) -> Result:
    required = "a healthy exchange before the outage"
    scope = story.scope
    if scope.last is None:
        return Result("cannot tell", required, "none in the recording")
    return Result(
        "pass", required, f"at {story.times.clock(scope.from_ns)}", scope.case.request_frames([scope.last])
    )


def _long_enough(story: Story) -> Result:
    """Only an outage longer than the timeout puts the watchdog to the test."""
    silence, limit = story.scope.silence, _limit(story)
    required = f"longer than the timeout, {_timeout(story)}"
    if silence is None:
        return Result("cannot tell", required, "no silence")
    seen = between(silence.shortest_ns, silence.longest_ns or silence.length_ns)
    if story.scope.is_doubted:
        return Result("cannot tell", required, seen)
    if silence.shortest_ns > limit:
        return Result("pass", required, seen)
    possible = (silence.longest_ns or silence.length_ns) > limit
    return Result("cannot tell" if possible else "fail", required, seen)


def _fell_back(story: Story) -> Result:
    required = "the device falls back, by its status register"
    proof = story.facts.proof if story.facts else None
    if proof is None:
        return Result("cannot tell", required, "the site file names no status register, or not what it says")
    if _long_enough(story).outcome == "fail":
        return Result("cannot tell", required, "its watchdog was not put to the test")
    if proof.fell_back:
        seen = f"status {proof.fell_back.word} at {story.times.clock(proof.fell_back.at_ns)}"
        return Result("pass", required, seen, (proof.fell_back.evidence,))
    if proof.outcome == "before":
        return Result("cannot tell", required, "it had fallen back before already")
    if proof.outcome == "did not" and proof.clear and not proof.may_have_restarted:
        seen = f"status {proof.clear.word} at {story.times.clock(proof.clear.at_ns)}: no trip"
        return Result("fail", required, seen, (proof.clear.evidence,))
    told = {"did not": "no trip, but it may have restarted and forgotten one", "unread": "not read in time"}
    return Result(
        "cannot tell", required, told.get(proof.outcome, "the recording cannot be read a second time")
    )


def _in_time(story: Story) -> Result | None:
    """Not before the timeout less tolerance, not after timeout and tolerance, as far as readings tell."""
    proof, due = story.facts.proof if story.facts else None, due_between(story.scope)
    if proof is None or proof.fell_back is None or due is None:
        return None
    required = f"when the watchdog was due, {_timeout(story)}"
    limits = story.device.limits
    fell, before = proof.fell_back, proof.before
    earliest = due[0] - round((limits.watchdog_ns or 0) * limits.tolerance)
    clock = story.times.clock
    seen = f"read at {clock(fell.at_ns)}" + (f", not yet at {clock(before.at_ns)}" if before else "")
    evidence = (*((before.evidence,) if before else ()), fell.evidence)
    if fell.at_ns < earliest:
        return Result("fail", required, f"too early: {seen}", evidence)
    if before and before.at_ns > due[1]:
        return Result("fail", required, f"too late: {seen}", evidence)
    in_time = fell.at_ns <= due[1] and before is not None and before.at_ns >= earliest
    return Result("pass" if in_time else "cannot tell", required, seen, evidence)


def _came_back(story: Story) -> Result:
    required = "requests return, the device replies, and it is back"
    facts, scope = story.facts, story.scope
    if facts is None or facts.requests is None or scope.first is None or facts.reply is None:
        return Result("cannot tell", required, "no healthy exchange before the recording ends")
    frames = (facts.requests.evidence, facts.reply.evidence)
    seen = f"first normal reply {duration(facts.reply.at_ns - facts.requests.at_ns)} after traffic returned"
    proof = facts.proof
    if proof is None or proof.fell_back is None:
        return Result("pass", required, seen, frames)
    if proof.back is None:
        return Result("cannot tell", required, f"{seen}; not clear before the recording ends", frames)
    back = duration(proof.back.at_ns - facts.requests.at_ns)
    return Result(
        "pass", required, f"{seen}; its status is clear {back} after", (*frames, proof.back.evidence)
    )


def _reset_late(story: Story) -> Result | None:
    """Of devices that shut off: nobody resets into the silence."""
    facts = story.facts
    if facts is None or facts.on_loss != "shut-off":
        return None
    required = "no reset before requests that feed it arrive again"
    early = [r for r in facts.resets if r.arriving_ns is None]
    if early:
        seen = f"{len(early)} before, the first at {story.times.clock(early[0].at_ns)}"
        return Result("fail", required, seen, tuple(r.evidence for r in early[:3]))
    if not facts.resets:
        return Result("cannot tell", required, "no reset was seen on the wire")
    first = facts.resets[0]
    seen = f"{duration(first.arriving_ns or 0)} after requests were arriving again"
    return Result("pass", required, seen, (first.evidence,))


def _stays(story: Story) -> Result | None:
    """Of devices that hold: what should follow the setpoint stayed there."""
    facts = story.facts
    if facts is None or facts.on_loss != "hold":
        return None
    required = "the output holds its last value, by its feedback register"
    if facts.feedback:
        left = facts.feedback[0]
        seen = f"{left.label} left {left.setpoint:g}: {left.value:g} at {story.times.clock(left.left.at_ns)}"
        return Result("fail", required, seen, (left.left.evidence,))
    if facts.feedback_looked_at:
        return Result("pass", required, "no feedback register left its setpoint")
    return Result("cannot tell", required, "no feedback register was read then, or none is named")


def _bearable(story: Story) -> Result | None:
    """Until it protects itself the process is without control: no longer than its owner tolerates."""
    tolerable_ns = story.device.limits.tolerable_outage_ns
    if tolerable_ns is None:
        return None
    limit = _limit(story)
    required = f"the process bears {duration(tolerable_ns)} without control, as its owner decided"
    seen = f"{called(story.device)} protects itself after {duration(limit)} at the latest"
    return Result("pass" if limit <= tolerable_ns else "fail", required, seen)


OPTIONAL = frozenset({"in-time", "reset-late", "output-held"})
"""Checks that the record can pass without: the wire seldom tells."""

CHECKS: tuple[Row, ...] = (
    Row("recording-whole", "recording whole", _recorded),
    Row("healthy-before", "healthy before", _healthy_before),
    Row("outage-long-enough", "watchdog put to the test", _long_enough),
    Row("fell-back", "fell back", _fell_back),
    Row("in-time", "fell back in time", _in_time),
    Row("output-held", "output held", _stays),
    Row("came-back", "came back", _came_back),
    Row("reset-late", "reset only after return", _reset_late),
    Row("outage-bearable", "outage bearable", _bearable),
)
