"""The figures that are compared: one table with how each is measured, when it is worse, and what is too little."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mbsniff.measure.load import SECOND_NS, TEN_SECONDS_NS

Kind = Literal["rate", "peak", "quantile", "events", "worst"]
Unit = Literal["per s", "reads", "ns", "share", "per h", "ratio", "polls"]


@dataclass(frozen=True)
class Figure:
    """One figure of a device.

    ``relative`` and ``absolute`` make up the smallest change that matters: both must be reached, the first as a
    share of the larger of the two values.
    """

    key: str
    title: str
    unit: Unit
    kind: Kind
    source: str
    """Its column in `Series`; for "worst", the peak of whose longest stretch it is."""
    worse: Literal[-1, 0, 1]
    """Which way is worse; 0: neither, it depends on what was wanted."""
    relative: float
    absolute: float
    percent: int = 0
    reach_ns: int = 0
    """Over how much time one value reaches: what is drawn together is no shorter."""
    judged_by: str | None = None
    """A single extreme has no spread of its own: the figure whose verdict it follows."""


FIGURES: tuple[Figure, ...] = (
    Figure("requests_per_s", "requests", "per s", "rate", "requests", 0, 0.1, 0.01),
    Figure("reads_per_s", "reads", "per s", "rate", "reads", 0, 0.1, 0.01),
    Figure("registers_per_s", "registers read", "per s", "rate", "registers", 0, 0.1, 0.1),
    Figure(
        "busiest_second_typical", "busiest second of a block", "reads", "peak", "second", 0, 0.1, 0.5,
        reach_ns=SECOND_NS,
    ),
    Figure(
        "busiest_second", "busiest second", "reads", "worst", "second", 0, 0.1, 1,
        judged_by="busiest_second_typical",
    ),
    Figure(
        "ten_second_reads_typical", "busiest 10 s of a block", "reads", "peak", "ten_seconds", 0, 0.1, 1,
        reach_ns=TEN_SECONDS_NS,
    ),
    Figure(
        "ten_second_reads", "busiest 10 s", "reads", "worst", "ten_seconds", 0, 0.1, 1,
        judged_by="ten_second_reads_typical",
    ),
    Figure("reply_median", "reply time, median", "ns", "quantile", "reply", 1, 0.1, 1e6, percent=50),
    Figure("reply_p99", "reply time, p99", "ns", "quantile", "reply", 1, 0.1, 1e6, percent=99),
    Figure("service_median", "service time, median", "ns", "quantile", "service", 1, 0.1, 1e6, percent=50),
    Figure("unanswered_share", "without a reply", "share", "events", "unanswered", 1, 0.2, 0.0),
    Figure("late_per_h", "late replies", "per h", "events", "late", 1, 0.2, 0.0),
    Figure("exceptions_per_h", "exceptions", "per h", "events", "exceptions", 1, 0.2, 0.0),
    Figure("resent_per_h", "requests resent", "per h", "events", "resent", 1, 0.2, 0.0),
    Figure("longest_silence_typical", "longest silence of a block", "ns", "peak", "silence", 1, 0.1, 5e7),
    Figure(
        "longest_silence", "longest silence", "ns", "worst", "silence", 1, 0.1, 5e7,
        judged_by="longest_silence_typical",
    ),
    Figure(
        "margin", "margin", "ratio", "worst", "silence", -1, 0.0, 0.05, judged_by="longest_silence"
    ),
    Figure(
        "spare_polls", "spare polls", "polls", "worst", "silence", -1, 0.0, 1,
        judged_by="longest_silence",
    ),
    Figure("near_due_per_h", "over 4/5 of the timeout", "per h", "events", "near", 1, 0.2, 0.0),
    Figure("watchdog_due_per_h", "watchdog due", "per h", "events", "due", 1, 0.2, 0.0),
)  # fmt: skip
BY_KEY = {figure.key: figure for figure in FIGURES}

# Findings that count events, and the figure that counts them: its outcome says whether chance explains a change.
# None: the findings themselves are counted.
EVENTS_OF_FINDING: dict[str, str | None] = {
    "watchdog-masked": None,
    "watchdog-due": "watchdog_due_per_h",
    "watchdog-close": "near_due_per_h",
    "no-reply": "unanswered_share",
    "late-reply": "late_per_h",
    "exception-reply": "exceptions_per_h",
    "resent-request": "resent_per_h",
}
