"""A Diagnosis, a second look and hardware addresses in, the Audit out: every requirement at every device."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from mbsniff.audit.echoes import echoing_writes
from mbsniff.audit.links import master_hardware
from mbsniff.audit.requirements import HARDWARE_ADDRESS, REQUIREMENTS, Requirement
from mbsniff.audit.subject import Hardware, Subject
from mbsniff.audit.verdict import VERDICTS, Outcome, Result, open_
from mbsniff.diagnose import Diagnosis
from mbsniff.diagnose.case import Case
from mbsniff.diagnose.registers.readings import SecondLook, named_registers
from mbsniff.diagnose.registers.traces import traces
from mbsniff.diagnose.wording import counted, listed
from mbsniff.errors import one_line
from mbsniff.exchange import Look
from mbsniff.measure import DeviceFigures
from mbsniff.measure.habits import LinksByPair
from mbsniff.site import Device


@dataclass(frozen=True)
class Audit:
    """All that an audit says."""

    diagnosis: Diagnosis
    results: list[Result]
    """Not met first, then what cannot be told, then met; by requirement, then device."""
    not_stated: dict[str, int]
    """Code of each requirement that the site does not state: at how many devices."""
    devices: int
    """How many devices were audited."""

    @property
    def is_met(self) -> bool:
        """Whether nothing is not met, for the exit status."""
        return all(result.verdict != "not met" for result in self.results)

    def counts(self) -> dict[str, int]:
        """How many results of each verdict."""
        found = Counter(result.verdict for result in self.results)
        return {verdict: found[verdict] for verdict in VERDICTS}


def audit(diagnosis: Diagnosis, look: Look | None, hardware: Hardware | None) -> Audit:
    """Hold every device against every requirement that the site states.

    ``look`` shows frames of the recording again, and ``hardware`` is what its stations' addresses are: None where the
    recording cannot be read a second time.
    """
    case = Case(diagnosis.exchange, diagnosis.facts, diagnosis.figures, diagnosis.site)
    subjects = _subjects(case, diagnosis, SecondLook(case, look), hardware)
    results: list[Result] = []
    not_stated: Counter[str] = Counter()
    for requirement in REQUIREMENTS:
        for subject in subjects:
            limit = requirement.limit(subject)
            if limit is None:
                not_stated[requirement.code] += 1
            else:
                results.append(_result(requirement, subject, limit))
        if requirement is HARDWARE_ADDRESS:
            results += _masters(diagnosis, hardware)
    results.sort(key=lambda r: VERDICTS.index(r.verdict))
    return Audit(diagnosis, results, dict(not_stated), len(subjects))


def _subjects(case: Case, diagnosis: Diagnosis, look: SecondLook, hardware: Hardware | None) -> list[Subject]:
    """The recording's devices, then those that only the site knows."""
    groups = case.figures.groups
    subjects = []
    links = LinksByPair(case.exchange)
    met_there: set[int] = set()
    for figures in case.figures.devices:
        declared = groups.devices[figures.index].declared
        met_there.add(id(declared))
        found = traces(case, figures, declared.registers if declared else ())
        _want(case, look, declared, figures)
        subjects.append(
            Subject(case, diagnosis, declared, figures.limits, figures, tuple(found), look, links, hardware)
        )
    look.take()
    unseen = [d for d in diagnosis.site.devices if id(d) not in met_there]
    return subjects + [Subject(case, diagnosis, d, d.limits, None, (), look, links, hardware) for d in unseen]


def _want(case: Case, look: SecondLook, declared: Device | None, figures: DeviceFigures) -> None:
    for register in named_registers(declared) if declared else ():
        look.want(figures, register)
    look.want_rows(echoing_writes(case, figures))


def _result(requirement: Requirement, subject: Subject, limit: str) -> Result:
    """The row; what the recording cannot show is not met either."""
    figures, declared = subject.figures, subject.declared
    outcome = _judged(requirement, subject)
    key = figures.key if figures else _key(declared) if declared else "-"
    name = figures.name if figures else declared.name if declared else None
    return Result(requirement.code, requirement.title, key, name, limit, outcome)


def _judged(requirement: Requirement, subject: Subject) -> Outcome:
    if requirement.basis == "site":
        return requirement.judge(subject)
    figures = subject.figures
    if figures is None:
        return open_("the recording shows nothing of it")
    if requirement.basis == "addresses":
        return requirement.judge(subject)
    if not figures.requests:
        return open_("no request to it was recorded, only replies")
    if requirement.basis == "replies" and not figures.answered and not figures.statuses["unanswered"]:
        return open_("no reply of it was recorded")
    outcome = requirement.judge(subject)
    lost = subject.lost_bytes("requests" if requirement.basis == "requests" else "replies")
    if outcome.verdict == "met" and lost:
        who = "its masters'" if requirement.basis == "requests" else "its"
        return open_(
            f"{counted(lost, 'byte')} of {who} {requirement.basis} went unrecorded",
            outcome.measured,
            outcome.evidence,
        )
    return outcome


def _key(device: Device) -> str:
    host = f"[{device.address}]" if ":" in device.address else device.address
    return f"{host}:{device.port}" + (f"/{','.join(map(str, device.units))}" if device.units else "")


def _masters(diagnosis: Diagnosis, hardware: Hardware | None) -> list[Result]:
    """The masters' own hardware addresses, where they are declared."""
    clients = {pair.client for pair in diagnosis.exchange.pairs}
    made = []
    for master in diagnosis.site.masters:
        if master.hardware_addresses:
            seen = not clients.isdisjoint(master.addresses)
            outcome = (
                master_hardware(master, hardware) if seen else open_("the recording shows nothing of it")
            )
            limit = listed(list(master.hardware_addresses))
            code, title = HARDWARE_ADDRESS.code, HARDWARE_ADDRESS.title
            where = listed(list(master.addresses), 2)
            made.append(Result(code, title, where, one_line(master.name), limit, outcome))
    return made
