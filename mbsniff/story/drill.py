"""A story of a deliberate outage in, the record of the acceptance drill out: what happened when, and each check."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.finding import Diagnosis, Evidence
from mbsniff.exchange import Look
from mbsniff.measure import DeviceFigures
from mbsniff.story.ask import Ask, AskError
from mbsniff.story.checks import CHECKS, Outcome, Result, overall
from mbsniff.story.kinds import SIGNS
from mbsniff.story.marks import due_between, due_text
from mbsniff.story.names import called
from mbsniff.story.story import Story
from mbsniff.story.tell import tell
from mbsniff.story.times import Times

UNTOLD = {
    "before": "it said so before already",
    "did not": "it shows no trip",
    "unread": "not read at a time that could tell",
    "no second look": "the recording cannot be read a second time",
}
"""Why the status register does not say when it fell back."""


@dataclass(frozen=True)
class Event:
    """A row of the record's sequence; ``at_ns`` None: not seen."""

    title: str
    at_ns: int | None
    note: str = ""
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Check:
    """A requirement with its verdict."""

    code: str
    title: str
    result: Result


@dataclass(frozen=True)
class Drill:
    """The record that one files."""

    story: Story
    digests: Mapping[str, str]
    """SHA-256 of each file that could be read again, by its path as given; the site file's among them."""
    events: list[Event]
    checks: list[Check]
    outcome: Outcome

    @property
    def is_passed(self) -> bool:
        """For the exit status: proven, not only not disproven."""
        return self.outcome == "pass"


def drill(
    diagnosis: Diagnosis, look: Look | None, ask: Ask, times: Times, digests: Mapping[str, str]
) -> Drill:
    """The record of one device's outage: the one asked for, else the longest against its timeout.

    Raises AskError where no timeout is stated, or nothing was asked of any device.
    """
    story = tell(diagnosis, look, ask, times)
    if story is None:
        story = tell(diagnosis, look, Ask(device=_nearest(diagnosis)), times)
    if story is None or story.scope.silence is None or story.scope.master is not None:
        raise AskError("there is no silence of the device then", hint="A drill needs one: see mbsniff story.")
    if not story.device.limits.watchdog_ns:
        name = called(story.device)
        raise AskError(
            f"no watchdog timeout is stated for {name}", hint="Give --site with watchdog_s, or --watchdog."
        )
    checks = [Check(row.code, row.title, result) for row in CHECKS if (result := row.judge(story))]
    events = sorted(_events(story), key=lambda e: (e.at_ns is None, e.at_ns or 0))
    return Drill(story, digests, events, checks, overall([(c.code, c.result) for c in checks]))


def _nearest(diagnosis: Diagnosis) -> str:
    """The device that came nearest to its timeout."""
    judged = [d for d in diagnosis.figures.devices if d.limits.watchdog_ns and d.silences.longest]
    if not judged:
        raise AskError("no device with a stated timeout was asked twice", hint="Give --site, or --watchdog.")
    return max(judged, key=_share).key


def _share(device: DeviceFigures) -> float:
    """Its longest silence as a share of its timeout."""
    longest = device.silences.longest
    return longest.length_ns / (device.limits.watchdog_ns or 1) if longest else 0.0


def _events(story: Story) -> Iterator[Event]:
    scope, facts = story.scope, story.facts
    case, silence = scope.case, scope.silence
    if silence is None or facts is None:
        return
    yield _last_feed(case, story)
    yield _first_sign(story)
    due = due_between(scope)
    if due:
        latest = f"{story.times.clock(due[1])} at the latest"
        is_due = due_text(scope, story.times) is not None
        yield Event(f"watchdog {'' if is_due else 'would have been '}due, at the earliest", due[0], latest)
    proof = facts.proof
    if proof:
        fell, back = proof.fell_back, proof.back
        yield Event("fell back, by its status register", fell.at_ns if fell else None, _proof_note(story),
                    (fell.evidence,) if fell else ())  # fmt: skip
    begun = facts.requests
    yield Event("traffic returned", begun.at_ns if begun else None, "", (begun.evidence,) if begun else ())
    for title, step in (("first normal reply", facts.reply), ("first setpoint written", facts.setpoint),
                        ("every cyclic poll asked once", facts.full_round)):  # fmt: skip
        yield Event(title, step.at_ns if step else None, "", (step.evidence,) if step else ())
    for reset in facts.resets[:2]:
        note = (
            "requests were arriving again"
            if reset.arriving_ns is not None
            else "before requests that feed it returned"
        )
        yield Event("trip reset", reset.at_ns, note, (reset.evidence,))
    if proof:
        yield Event(
            "back, by its status register", back.at_ns if back else None, "", (back.evidence,) if back else ()
        )


def _last_feed(case: Case, story: Story) -> Event:
    row = story.scope.last
    if row is None:
        return Event("last feed that was confirmed", None, "before the recording")
    at_ns = int(case.exchange.request_ns[row])
    return Event("last feed that was confirmed", at_ns, "", case.request_frames([row]))


def _first_sign(story: Story) -> Event:
    """The first step that tells of the outage, or when the next request was missed."""
    begins_ns = story.scope.from_ns
    for step in story.steps:
        if step.kind in SIGNS and step.from_ns > begins_ns:
            return Event("first sign of the outage", step.from_ns, step.text, step.evidence)
    fastest = story.device.fastest_feeding_poll
    if fastest is None or fastest.period is None:
        return Event("first sign of the outage", None)
    return Event(
        "first sign of the outage", begins_ns + fastest.period.median, "the next request did not come"
    )


def _proof_note(story: Story) -> str:
    proof = story.facts.proof if story.facts else None
    if proof is None or proof.fell_back is None:
        return UNTOLD.get(proof.outcome if proof else "", "")
    return f"not yet at {story.times.clock(proof.before.at_ns)}" if proof.before else ""
