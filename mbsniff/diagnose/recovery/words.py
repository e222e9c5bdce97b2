"""A Recovery in, sentences about it out; names from site files are made safe to print."""

from __future__ import annotations

from mbsniff.diagnose.recovery.facts import Feedback, Proof, Recovery, WrittenValue
from mbsniff.diagnose.wording import clock, counted, duration, listed
from mbsniff.errors import one_line

RESET_CAUTION = (
    "A reset re-energises equipment: it is for qualified people under local rules, and requests must be arriving "
    "again before it"
)


def recovery_sentences(recovery: Recovery, *, with_proof: bool = True) -> list[str]:
    """What is known, in the order in which it happened; no full stops. ``with_proof``: the status register's, too."""
    told = [_proof(recovery.proof) if with_proof else None, *map(_feedback, recovery.feedback)]
    return [text for text in (*told, _held(recovery), _back(recovery), _resets(recovery)) if text]


def proof_text(proof: Proof | None) -> str | None:
    """What the status register says, as the end of a sentence; None where nothing is known."""
    if proof is None or proof.outcome in ("unread", "no second look"):
        return None
    return _OUTCOMES[proof.outcome](proof)


def _proof(proof: Proof | None) -> str | None:
    if proof is None:
        return None
    if proof.outcome == "unread":
        register = one_line(proof.label)
        return f"No reply that holds its status register ({register}), whole in a frame, came at a time that could tell"
    text = _OUTCOMES[proof.outcome](proof)
    return text[0].upper() + text[1:]


def _fell_back(proof: Proof) -> str:
    fell = proof.fell_back
    assert fell is not None
    not_yet = f"; not yet at {clock(proof.before.at_ns)}" if proof.before else ""
    return f"its status register shows that it fell back (read at {clock(fell.at_ns)}{not_yet}){_came_back(proof)}"


def _before(proof: Proof) -> str:
    return f"its status register showed already before that it had fallen back{_came_back(proof)}"


def _came_back(proof: Proof) -> str:
    if proof.back is None:
        return ", and does not show that it came back"
    return f", and no longer from {clock(proof.back.at_ns)} on"


def _did_not(proof: Proof) -> str:
    assert proof.clear is not None
    at = clock(proof.clear.at_ns)
    if proof.may_have_restarted:
        return f"its status register, read at {at}, shows no trip (a device that restarted meanwhile knows of none)"
    return f"its status register, read at {at}, shows that it did not fall back"


def _no_look(proof: Proof) -> str:
    return (
        "what its status register said cannot be told, since this recording cannot be looked at a second time"
    )


_OUTCOMES = {"fell back": _fell_back, "before": _before, "did not": _did_not, "no second look": _no_look}


def _feedback(found: Feedback) -> str:
    unit = f" {one_line(found.register.engineering_unit)}" if found.register.engineering_unit else ""
    back = f"was back at {clock(found.back.at_ns)}" if found.back else "did not come back"
    left = f"{found.value:g}{unit} at {clock(found.left.at_ns)}"
    return f"{one_line(found.label)} left its setpoint ({found.setpoint:g}{unit}): {left}, and {back}"


def value_text(written: WrittenValue) -> str:
    """A value with its unit: "260 °C"; a raw one says so."""
    if written.value is None:
        return "a value that cannot be told"
    unit = f" {one_line(written.register.engineering_unit)}" if written.register.engineering_unit else ""
    return f"{written.value:g}{unit}" if written.declared else f"{written.value:g} (raw)"


def _held(recovery: Recovery) -> str | None:
    """What a device that holds its output held, by what was written last."""
    if recovery.on_loss != "hold":
        return None
    if not recovery.written:
        return "It holds its last output; what was written to it last is not in the recording"
    until = "requests returned" if recovery.requests else "the recording ended"
    values = [f"{one_line(w.label)} {value_text(w)}, {duration(w.age_ns)} old" for w in recovery.written]
    return f"Held when {until}: {listed(values, 3)}"


def _back(recovery: Recovery) -> str:
    """When requests returned, and what then took how long."""
    begun, who = recovery.requests, "Requests" if recovery.any_request else "Requests that feed it"
    if begun is None:
        return f"{who} did not return before the recording ended"
    whole = "its cyclic poll" if recovery.polls == 1 else f"each of its {recovery.polls} cyclic polls"
    steps = (
        ("first normal reply", recovery.reply),
        ("first setpoint written", recovery.setpoint),
        (f"{whole} asked once", recovery.full_round if recovery.polls else None),
    )
    parts = [f"{what} {_after(step.at_ns - begun.at_ns)}" for what, step in steps if step is not None]
    parts += [] if recovery.reply else ["no normal reply came in this recording"]
    return f"{who} returned at {clock(begun.at_ns)}: {', '.join(parts)}"


def _after(length_ns: int) -> str:
    return f"after {duration(length_ns)}" if length_ns else "with it"


def _resets(recovery: Recovery) -> str | None:
    early = [r for r in recovery.resets if r.arriving_ns is None]
    after = next((r for r in recovery.resets if r.arriving_ns is not None), None)
    parts = []
    if early:
        parts.append(
            f"{counted(len(early), 'reset')} written while no request that feeds it was arriving, the first at "
            f"{clock(early[0].at_ns)}"
        )
    if after is not None and after.arriving_ns is not None:
        parts.append(
            f"reset at {clock(after.at_ns)}, {duration(after.arriving_ns)} after requests were arriving again"
        )
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] if text else None
