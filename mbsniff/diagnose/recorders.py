"""What is known of several recorders' clocks in, sentences that say what limits the trust in them out."""

from __future__ import annotations

from mbsniff.capture import Clock
from mbsniff.diagnose.wording import counted, duration
from mbsniff.errors import one_line

ORDER_NS = 1_000_000  # clocks that agree better than this need no word


def clock_doubts(clocks: list[Clock]) -> list[str]:
    """A sentence for each clock of which there is something to say."""
    return [text for clock in clocks if (text := _clock(clock))]


def _clock(clock: Clock) -> str:
    """What was done about a recorder's clock, and what of it is uncertain; empty where it simply agrees."""
    names = _named(clock.files)
    if clock.basis == "none":
        return (
            f"{names}: no frame shows how this recorder's clock compares with the others' (too few were seen by both), "
            "so what came first there and elsewhere cannot be told; --clock-offset states the difference"
        )
    seen = f"{counted(clock.matches, 'frame')} that another recorder saw as well"
    told = [f"{names}: times shifted by {_signed(clock.shift_ns)}, "]
    if clock.basis == "stated":
        told.append("as stated")
        if abs(clock.still_off_ns) > max(ORDER_NS, clock.spread_ns):
            told.append(f"; {seen} say that {_signed(clock.still_off_ns)} is to be added to that")
    elif clock.shift_ns == 0 and clock.spread_ns < ORDER_NS and clock.agreeing == clock.matches:
        return ""  # copies of frames of one recorder
    else:
        told.append(f"as {seen} say")
    if clock.matches and 10 * clock.agreeing < 9 * clock.matches:
        told.append(
            f"; only {clock.agreeing:,} of these agree, so that a clock seems to have been set meanwhile"
        )
    if clock.spread_ns >= ORDER_NS:
        told.append(
            f"; they differ by up to {duration(clock.spread_ns)}, and what lies nearer may be in the wrong order"
        )
    return "".join(told)


def _signed(shift_ns: int) -> str:
    """Seconds to the microsecond, so that they can be stated as an option: "+1.5 s", "−0.000042 s"."""
    whole, microseconds = divmod(round(abs(shift_ns), -3) // 1000, 10**6)
    decimals = f".{microseconds:06}".rstrip("0").rstrip(".")
    return f"{'−' if shift_ns < 0 else '+'}{whole:,}{decimals} s"


def _named(files: list[str]) -> str:
    more = f" and {counted(len(files) - 1, 'further file')}" if len(files) > 1 else ""
    return f"{one_line(files[0])}{more}"
