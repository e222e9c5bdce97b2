"""A silence and a way to see frames again in, how the device came back out: moments, and a paragraph about it."""

from __future__ import annotations

from collections.abc import Iterator

from mbsniff.diagnose.recovery import Recovery, recovery_of, recovery_sentences
from mbsniff.diagnose.recovery.facts import Reading
from mbsniff.errors import CaptureError
from mbsniff.exchange import Look
from mbsniff.story.marks import due_text
from mbsniff.story.moments import Moment
from mbsniff.story.names import called
from mbsniff.story.scope import Scope
from mbsniff.story.story import Titled
from mbsniff.story.times import Times

RESET_CAUTION = (
    "A reset re-energises equipment: for qualified people only, under local rules, once requests arrive again"
)
TOLD_BY_STATUS = ("fell back", "did not", "before")


def seen_recovery(scope: Scope, look: Look | None) -> Recovery | None:
    """All that is known of the recovery; None of a moment, and of one master's silence."""
    if scope.silence is None or scope.master is not None:
        return None
    try:
        return recovery_of(scope.case, scope.device, scope.silence, look)
    except CaptureError:  # the recording is not there any more
        return recovery_of(scope.case, scope.device, scope.silence, None)


def recovery_moments(scope: Scope, recovery: Recovery | None) -> Iterator[Moment]:
    """What the device's status register said, and when the polling was whole again."""
    if recovery is None:
        return
    proof = recovery.proof
    if proof:
        for kind, reading in (
            ("fell-back", proof.fell_back),
            ("came-back", proof.back),
            ("no-trip", proof.clear),
        ):
            if reading:
                yield _reading(scope, kind, reading)
    if recovery.full_round and recovery.polls > 1:
        at_ns = recovery.full_round.at_ns
        yield Moment(
            "whole-again", at_ns, whom=called(scope.device), evidence=(recovery.full_round.evidence,)
        )


def _reading(scope: Scope, kind: str, reading: Reading) -> Moment:
    return Moment(
        kind, reading.at_ns, whom=called(scope.device), what=f"{reading.word}", evidence=(reading.evidence,)
    )


def recovery_text(scope: Scope, recovery: Recovery | None, times: Times) -> list[Titled]:
    """The paragraph; with the caution where a reset is, or was, needed."""
    if recovery is None:
        return []
    told = recovery_sentences(
        recovery, with_proof=not is_told_by_status(recovery)
    )  # steps tell of it otherwise
    sentences = [times.localized(text, scope.from_ns) for text in told]
    untripped = recovery.proof is not None and recovery.proof.outcome == "did not"
    if recovery.on_loss == "shut-off" and due_text(scope, times) and (recovery.resets or not untripped):
        sentences.append(RESET_CAUTION)
    return [Titled("Recovery", ". ".join(sentences))] if sentences else []


def is_told_by_status(recovery: Recovery | None) -> bool:
    """Whether the device itself said if it fell back."""
    return bool(recovery and recovery.proof and recovery.proof.outcome in TOLD_BY_STATUS)
