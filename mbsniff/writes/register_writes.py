"""A line of an audit's traces in, its figures out: values, changes, and how old the measurement was at each write."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.audit import Written
from mbsniff.audit.subject import Subject
from mbsniff.diagnose.registers.readings import feedback_of
from mbsniff.diagnose.registers.traces import Trace
from mbsniff.exchange import well_answered
from mbsniff.measure.groups import READS

NO_READING = -1
"""The age of a measurement that was not read before."""


@dataclass(frozen=True)
class RegisterWrites:
    """One value of a device, who wrote it, and its figures; arrays have shape (writes,)."""

    written: Written
    subject: Subject
    distinct: int
    """Different values, of those known."""
    first: float | None
    last: float | None
    """The last value that was not refused."""
    changes: int
    """Writes, not refused, that bring another value than the one before."""
    unchanged: int
    refused: int
    unknown: int
    """Writes whose value cannot be told."""
    age_ns: NDArray[np.int64]
    """Of the writing master's last reading at each write; NO_READING where it had none."""
    reading_ns: int | None
    """Usual time (median) between two readings, of the master that reads it least often; None under two readings."""

    @property
    def trace(self) -> Trace:
        """All its writes, in time order."""
        return self.written.trace

    @property
    def label(self) -> str:
        """The register's name and both its numbers; from a site file, so not safe to print as it is."""
        return self.written.label

    @functools.cached_property
    def functions(self) -> NDArray[np.int64]:
        """The function code of each write."""
        polls, places = self._polls
        keys = self.subject.case.figures.groups.keys
        return np.array([keys[row].function for row in polls], np.int64)[places]

    @functools.cached_property
    def clients(self) -> NDArray[np.object_]:
        """The address that each write came from, as text, whatever group it belongs to."""
        exchange, keys = self.subject.case.exchange, self.subject.case.figures.groups.keys
        polls, places = self._polls
        return np.array([exchange.pairs[keys[row].pair].client for row in polls], object)[places]

    @functools.cached_property
    def _polls(self) -> tuple[list[int], NDArray[np.int64]]:
        """Rows of the polls that wrote it, and which of these each write belongs to."""
        polls, places = np.unique(self.subject.case.exchange.poll[self.trace.rows], return_inverse=True)
        return polls.tolist(), places


def register_writes(subject: Subject, written: Written) -> RegisterWrites:
    """The figures of one register's writes."""
    trace = written.trace
    values, taken = trace.values[trace.known], trace.values[trace.known & trace.accepted]
    age_ns, reading_ns = measurement_ages(subject, trace)
    return RegisterWrites(
        written=written,
        subject=subject,
        distinct=len(np.unique(trace.raw[trace.known], axis=0)),
        first=float(values[0]) if len(values) else None,
        last=float(taken[-1]) if len(taken) else None,
        changes=int(trace.changes.sum()),
        unchanged=int(trace.repeats.sum()),
        refused=int((~trace.accepted).sum()),
        unknown=int((~trace.known).sum()),
        age_ns=age_ns,
        reading_ns=reading_ns,
    )


def measurement_ages(subject: Subject, trace: Trace) -> tuple[NDArray[np.int64], int | None]:
    """Nanoseconds from the end of the same master's last reading to each write, and ``reading_ns``.

    A reading is one of the feedback register where the site names it, else any normal reply to a read.
    """
    exchange, groups = subject.case.exchange, subject.case.figures.groups
    feedback = feedback_of(subject.declared, trace)
    if feedback:
        readers = subject.look.readers(trace.device, feedback)
    else:
        rows = subject.case.transactions(trace.device)
        reading = [poll.row for poll in trace.device.polls if poll.function in READS]
        readers = well_answered(exchange, rows[np.isin(exchange.poll[rows], reading)])
    ages = np.full(len(trace.rows), NO_READING, np.int64)
    owners = groups.master_of_poll[exchange.poll[readers]]
    usual: list[int] = []
    for master in np.unique(trace.masters).tolist():
        own = readers[owners == master]
        ends = np.sort(exchange.request_ns[own] + exchange.reply_ns[own])
        writes = np.flatnonzero(trace.masters == master)
        last = np.searchsorted(ends, trace.times_ns[writes], side="right") - 1
        has = last >= 0
        usual += [int(np.median(np.diff(ends)))] if len(ends) > 1 else []
        ages[writes[has]] = trace.times_ns[writes[has]] - ends[last[has]]
    return ages, max(usual, default=None)
