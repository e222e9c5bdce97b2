"""A Diagnosis, a second look and a choice of registers in, the Survey of all writes out, with its judgements."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.audit.echoes import echo_of, echoing_writes
from mbsniff.audit.subject import Subject
from mbsniff.audit.watchdog import fed_limit, watchdog_fed
from mbsniff.audit.written import written
from mbsniff.diagnose import Diagnosis
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.readings import SecondLook, feedback_of
from mbsniff.diagnose.registers.traces import traces
from mbsniff.diagnose.wording import counted
from mbsniff.exchange import Look
from mbsniff.measure import DeviceFigures
from mbsniff.measure.groups import WRITES
from mbsniff.measure.habits import LinksByPair
from mbsniff.writes.catalogue import SEVERITY
from mbsniff.writes.judgements import Judgement, judge
from mbsniff.writes.register_writes import RegisterWrites, register_writes


@dataclass(frozen=True)
class Survey:
    """All that was written, and what is to be said of it."""

    diagnosis: Diagnosis
    registers: list[RegisterWrites]
    """By device, table and address; those chosen only."""
    judgements: list[Judgement]
    """The worst first."""
    notes: list[str]
    """What cannot be told from this recording, a sentence each."""

    @property
    def has_fault(self) -> bool:
        """Whether a judgement is at fault level, for the exit status."""
        return any(judgement.kind.level == "fault" for judgement in self.judgements)


def survey_writes(
    diagnosis: Diagnosis, look: Look | None, *, device: str | None = None, register: str | None = None
) -> Survey:
    """Trace and judge all writes of the recording, or those of a device or register.

    ``device``: a site file's name, an address, or a key such as ``192.0.2.51:502/1``; ``register``: a name, or
    a protocol address in digits. What fits neither is left out. ``look`` is None where the recording cannot be read
    a second time: echoes and what followed a setpoint are not told then.
    """
    case = Case(diagnosis.exchange, diagnosis.facts, diagnosis.figures, diagnosis.site)
    chosen = [d for d in case.figures.devices if device is None or device in (d.key, d.name, d.address)]
    subjects = _subjects(case, diagnosis, SecondLook(case, look), chosen)
    registers = [
        register_writes(subject, written(case, subject.declared, trace, subject.look))
        for subject in subjects
        for trace in subject.traces
    ]
    registers = [r for r in registers if register is None or _is_meant(r, register)]
    judgements = [judgement for each in registers for judgement in judge(each)]
    if register is None:
        judgements += [judgement for subject in subjects for judgement in _of_device(subject)]
    judgements.sort(key=lambda j: SEVERITY[j.code])
    return Survey(diagnosis, registers, judgements, _notes(subjects, look))


def _subjects(
    case: Case, diagnosis: Diagnosis, look: SecondLook, devices: list[DeviceFigures]
) -> list[Subject]:
    """The devices that were written to, after one second look for all of them."""
    links, subjects = LinksByPair(case.exchange), []
    for figures in devices:
        if not any(poll.function in WRITES for poll in figures.polls):
            continue
        declared = case.figures.groups.devices[figures.index].declared
        found = tuple(traces(case, figures, declared.registers if declared else ()))
        for trace in found:
            follows = feedback_of(declared, trace)
            if follows:
                look.want(figures, follows, trace.times_ns[trace.changes])
        look.want_rows(echoing_writes(case, figures))
        subjects.append(Subject(case, diagnosis, declared, figures.limits, figures, found, look, links, None))
    look.take()
    return subjects


def _is_meant(register: RegisterWrites, wanted: str) -> bool:
    own = register.trace.register
    if wanted == own.name:
        return True
    return wanted.isascii() and wanted.isdecimal() and own.first <= int(wanted) <= own.last


def _of_device(subject: Subject) -> list[Judgement]:
    """What is about a device's writes as a whole: echoes, and what feeds its watchdog."""
    return [j for j in (_echoes(subject), _feeding(subject)) if j is not None]


def _echoes(subject: Subject) -> Judgement | None:
    found = subject.echoes
    if not found.different:
        return None
    row, exchange = found.different[0], subject.case.exchange
    due, came = echo_of(exchange, row) or b"", subject.look.pdu(row) or b""
    text = (
        f"{len(found.different):,} of {counted(found.compared, 'reply', 'replies')} to writes differ; the first has "
        f"{came.hex(' ')} where {due.hex(' ')} is due"
    )
    frames = subject.case.reply_frames(found.different)
    at_ns = int(exchange.request_ns[row])
    key, name = subject.seen.key, subject.seen.name
    return Judgement("echo-differs", key, name, None, text, at_ns, len(found.different), frames)


def _feeding(subject: Subject) -> Judgement | None:
    """As the audit judges it: every poll that feeds is a write, and none of them is a steady one."""
    if fed_limit(subject) is None:
        return None
    outcome = watchdog_fed(subject)
    if outcome.verdict != "not met":
        return None
    rows = subject.rows_of([poll for poll in subject.seen.polls if poll.feeds])
    at_ns = int(subject.case.exchange.request_ns[rows[0]]) if len(rows) else None
    text = f"{outcome.measured}: {outcome.why}"
    key, name = subject.seen.key, subject.seen.name
    return Judgement("fed-on-change-only", key, name, None, text, at_ns, len(rows), outcome.evidence)


def _notes(subjects: list[Subject], look: Look | None) -> list[str]:
    if look is None and subjects:
        return [
            "Standard input cannot be read a second time, so whether replies repeat the writes and whether "
            "measurements followed cannot be told"
        ]
    writes = sum(subject.echoes.writes for subject in subjects)
    compared = sum(subject.echoes.compared for subject in subjects)
    if compared == writes:
        return []
    return [
        f"{compared:,} of {counted(writes, 'reply', 'replies')} to writes were compared with their requests: where "
        "there are many they are looked at evenly spread, and those not whole in a frame are left out"
    ]
