"""Every judgement's code on writes, with what it means, its look-alike and what to do: one table, worst first."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.diagnose.finding import Level


@dataclass(frozen=True)
class Kind:
    """One kind of judgement."""

    code: str
    level: Level
    meaning: str
    look_alike: str
    """What it must not be mistaken for."""
    advice: str


KINDS: tuple[Kind, ...] = (
    Kind(
        "value-outside-range", "fault",
        "A written value lies below the register's minimum, above its maximum, or is no number.",
        "A raw value: the range is held against engineering units, after scale and offset.",
        "Limit the value in the program that writes it, and see what the device made of it: some clip, some take it. "
        "Keep people away from the output until that is known.",
    ),
    Kind(
        "two-writers", "fault",
        "Two masters wrote the register in turns.",
        "A hand-over: masters of one redundancy group count as one, and so do masters that wrote one after the other.",
        "Decide which station owns the value, and let the other ask that one.",
    ),
    Kind(
        "writer-not-allowed", "fault",
        "A master wrote that the site file does not let write the device or the register.",
        "A master that stands in for another: declare both as one redundancy group.",
        "Find the station and who is responsible for it before blocking it: something may rely on what it writes.",
    ),
    Kind(
        "read-only-written", "fault",
        "A write went to a register that the site file declares read-only or unreadable.",
        "A number of the manual taken for an address, which hits the neighbour: both are shown.",
        "Compare the address with the device's list of registers, and take the write out of the program or correct it.",
    ),
    Kind(
        "echo-differs", "fault",
        "The reply to a write does not repeat what the standard has it repeat of the request.",
        "A reply that the recording cut short: those are not compared.",
        "Do not rely on what was written; read it back. Ask the device's or gateway's maker, with these frames.",
    ),
    Kind(
        "memory-worn", "fault",
        "Cyclic writes bring the value that a register in non-volatile memory has already.",
        "Writes on change, which wear the memory only as often as the value changes.",
        "Write it on change only, or use the register that the device offers for cyclic writing.",
    ),
    Kind(
        "fed-on-change-only", "risk",
        "Only writes that come when a value changes feed the watchdog: a quiet night trips it.",
        "A cyclic write of an unchanged value, which feeds it where the site file does not ask for a change.",
        "Feed the watchdog cyclically from the program that controls the output, not from a timer beside it.",
    ),
    Kind(
        "not-followed", "risk",
        "The feedback register did not come near the setpoint before the next change, or the recording's end.",
        "A slow process: an oven needs longer for a step than the recording may show.",
        "See whether the output was enabled, in manual or limited, and whether the feedback register is the right one.",
    ),
    Kind(
        "stale-measurement", "risk",
        "A setpoint was written on a measurement older than the watchdog's timeout; where none is stated, than three "
        "times the usual time between readings.",
        "The first write of a recording, before which no measurement was seen: not judged.",
        "Let the program hold or shut its output when the measurement is too old, and find out why the reading failed.",
    ),
    Kind(
        "undeclared-written", "risk",
        "A write went to addresses that the site file does not declare for the device.",
        "A register list that is not complete yet.",
        "Find out what the addresses do in the device's documentation, then declare them or stop the write.",
    ),
    Kind(
        "write-refused", "risk",
        "The device answered writes with an exception: it keeps the value that it had.",
        "A missing reply, after which nobody knows which value it has.",
        "See what the exception says, and whether the program takes notice of it.",
    ),
    Kind(
        "uneven-cycle", "remark",
        "The control cycle, from one write to the next, varies much.",
        "Writes on change, which have no cycle: only cyclic ones are judged.",
        "A controller tuned for an even cycle can swing with an uneven one: find what holds the writes up.",
    ),
    Kind(
        "unchanged-writes", "remark",
        "Cyclic writes bring the value that the register has already.",
        "A life sign: where such writes feed the watchdog, they are wanted.",
        "Nothing to do where they feed a watchdog, or restore the value in a device that restarts.",
    ),
    Kind(
        "handed-over", "remark",
        "Several masters wrote the register, one after the other.",
        "Masters that write in turns: two-writers.",
        "If they stand in for each other, declare them as one redundancy group.",
    ),
    Kind(
        "value-unknown", "remark",
        "Written values cannot be told: cut short by the recorder, or a mask write, whose result depends on what was "
        "there.",
        "A value that was never written.",
        "Record whole frames.",
    ),
)  # fmt: skip

BY_CODE = {kind.code: kind for kind in KINDS}
SEVERITY = {kind.code: place for place, kind in enumerate(KINDS)}
