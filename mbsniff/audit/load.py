"""Requirements on how much is asked of a device at once and in a second: block size, reads a second."""

from __future__ import annotations

from mbsniff.audit.subject import Subject
from mbsniff.audit.verdict import Outcome, met, not_met, open_
from mbsniff.diagnose.load import asked, largest_block
from mbsniff.diagnose.wording import counted, listed


def block_limit(subject: Subject) -> str | None:
    """Registers in one read, as stated."""
    limit = subject.limits.max_block
    return None if limit is None else f"at most {counted(limit, 'register')}"


def block_size(subject: Subject) -> Outcome:
    """The largest block of registers read; coils are never held against a limit of registers."""
    found = subject.own_findings("block-too-long")
    largest = largest_block(subject.seen)
    measured = "none read" if largest is None else f"{largest}"
    if not found:
        return met(measured)
    limit = subject.limits.max_block or 0
    long = [p for p in subject.seen.polls if p.function in (3, 4, 23) and (p.quantity or 0) > limit]
    what = listed(
        [
            f"{subject.case.master_name(p.master)}: {asked(p, subject.seen)}, {counted(p.count, 'time')}"
            for p in long
        ]
    )
    return not_met(measured, what, found[0].evidence)


def reads_limit(subject: Subject) -> str | None:
    """Reads a second at the endpoint, as stated."""
    limit = subject.limits.max_reads_per_s
    return None if limit is None else f"at most {limit:g}/s"


def reads_per_second(subject: Subject) -> Outcome:
    """The endpoint's 10 s mean, and its busiest second where that brought trouble."""
    load = subject.case.endpoint(subject.seen).load
    measured = f"{load.ten_seconds.reads / 10:.1f}/s over 10 s, busiest second {load.second.reads}"
    found = subject.findings("reads-too-dense", "masters-sum-over")
    faults = [f for f in found if f.level == "fault"]
    if faults:
        return not_met(measured, _shares(subject, faults[0].code), faults[0].evidence)
    doubtful = [f for f in found if f.certainty == "open"]
    if doubtful:
        return open_("the clock went back over the busiest time", measured)
    if not subject.seen.regular and load.second.reads > (subject.limits.max_reads_per_s or 0):
        return open_("it was only probed, in bursts", measured)
    return met(measured, found[0].evidence if found else ())


def _shares(subject: Subject, code: str) -> str:
    """The most that each master asked in 10 s, the busiest first."""
    by_master = subject.case.endpoint(subject.seen).by_master
    most = sorted(((load.ten_seconds.reads, m) for m, load in by_master.items()), reverse=True)
    shares = listed([f"{subject.case.master_name(m)} at most {reads / 10:.1f}/s" for reads, m in most])
    return f"no master alone, but all together: {shares}" if code == "masters-sum-over" else shares
