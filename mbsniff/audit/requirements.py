"""The table of requirements: it drives the audit, and the documentation holds the same rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from mbsniff.audit import links, load, permissions, replies, watchdog
from mbsniff.audit.subject import Subject
from mbsniff.audit.verdict import Outcome

Basis = Literal["requests", "replies", "site", "addresses"]


@dataclass(frozen=True)
class Requirement:
    """One requirement: what it is called, how it is measured, what it is held against, and by which function."""

    code: str
    title: str
    how: str
    stated_by: str
    """The keys of the site file that state it; ``always`` for what holds without them."""
    limit: Callable[[Subject], str | None]
    """The limit in words; None where the site does not state it, so that nothing is judged."""
    judge: Callable[[Subject], Outcome]
    basis: Basis
    """What has to be in the recording, whole, for it to be met; ``site``: nothing."""


REQUIREMENTS: tuple[Requirement, ...] = (
    Requirement("block-size", "block size", "the most registers asked for in one read (functions 3, 4, 23)",
                "max_block", load.block_limit, load.block_size, "requests"),
    Requirement("reads-per-second", "reads a second",
                "the endpoint's reads over all masters: the 10 s mean, less one for each cyclic poll; a single second "
                "above the limit only where replies in it were late, missing or busy",
                "max_reads_per_s", load.reads_limit, load.reads_per_second, "requests"),
    Requirement("watchdog-set", "watchdog set", "the timeout in the site file",
                "watchdog_s", watchdog.watchdog_limit, watchdog.watchdog_set, "site"),
    Requirement("watchdog-kept", "watchdog kept",
                "the longest silence between feeds, shortest to longest possible; what was left of the timeout, and "
                "the spare polls", "watchdog_s", watchdog.timeout_limit, watchdog.watchdog_kept, "requests"),
    Requirement("watchdog-fed", "fed when nothing changes",
                "polls that feed the watchdog: one is cyclic, and brings a new value nearly each time where only "
                "changes feed", "watchdog_s", watchdog.fed_limit, watchdog.watchdog_fed, "requests"),
    Requirement("control-kept", "master in charge",
                "silences, beyond the timeout, of a master that controls the device while others fed the watchdog",
                "watchdog_s", watchdog.control_limit, watchdog.control_kept, "requests"),
    Requirement("timeout-stated", "timeout in the device", "the values read from the watchdog's register",
                "watchdog_register, watchdog_s", watchdog.stated_limit, watchdog.timeout_stated, "replies"),
    Requirement("never-tripped", "status", "the values read from the status register",
                "status_register, status_tripped", watchdog.status_limit, watchdog.never_tripped, "replies"),
    Requirement("outage-bearable", "time without control", "the timeout with its tolerance, against the outage "
                "that the process bears",
                "tolerable_outage_s, watchdog_s", watchdog.outage_limit, watchdog.outage_bearable, "site"),
    Requirement("masters", "masters", "everyone who sent it a request",
                "masters, may_read", permissions.masters_limit, permissions.masters_allowed, "requests"),
    Requirement("writers", "writers", "everyone who sent it a write",
                "writers, masters, may_write", permissions.writers_limit, permissions.writers_allowed, "requests"),
    Requirement("one-writer", "one writer a register",
                "masters that wrote the same register while both were at work; a redundancy group is one master",
                "always, where something was written", lambda s: _where_written(s, "1"), permissions.one_writer,
                "requests"),
    Requirement("writes-declared", "registers written", "every address in a write",
                "registers", permissions.registers_limit, permissions.writes_declared, "requests"),
    Requirement("values-in-range", "values written", "every written value in engineering units",
                "minimum, maximum", permissions.range_limit, permissions.values_in_range, "requests"),
    Requirement("writes-echoed", "writes echoed", "replies to functions 5, 6, 15, 16 and 22, byte by byte",
                "always, where something was written", replies.echo_limit, replies.writes_echoed, "replies"),
    Requirement("nonvolatile-spared", "unchanged writes to non-volatile memory",
                "writes by cyclic polls that bring the value the register has already",
                "nonvolatile", permissions.nonvolatile_limit, permissions.nonvolatile_spared, "requests"),
    Requirement("reads-declared", "registers read", "every address in a read; blocks one off are pointed out",
                "registers", permissions.reads_limit, permissions.reads_declared, "requests"),
    Requirement("no-exceptions", "exceptions", "exception replies, by code",
                "always", replies.exceptions_limit, replies.no_exceptions, "replies"),
    Requirement("replies-in-time", "reply time", "the slowest reply to each master, and missing ones",
                "timeout_s", replies.reply_limit, replies.replies_in_time, "replies"),
    Requirement("one-connection", "connections", "connections of one master address to the endpoint at the same time",
                "always", links.connections_limit, links.one_connection, "requests"),
    Requirement("hardware-address", "hardware address", "senders of ARP and IP packets, for masters as well",
                "hardware_address, hardware_addresses", links.hardware_limit, links.device_hardware, "addresses"),
)  # fmt: skip

HARDWARE_ADDRESS = REQUIREMENTS[-1]


def _where_written(subject: Subject, limit: str) -> str | None:
    """The limit, where something was written at all."""
    return limit if replies.echo_limit(subject) else None
