"""Every finding's code, with what it means, what it must not be mistaken for, and what to do: one table.

The reference page, the order of findings and the advice printed with each are made from it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind of finding."""

    code: str
    brief: str
    """For the table's column "why"."""
    meaning: str
    look_alike: str
    """What it must not be mistaken for."""
    advice: str


CATALOGUE: tuple[Kind, ...] = (
    Kind(
        "watchdog-due",
        "watchdog due",
        "No request that feeds the device's watchdog was seen for longer than its timeout.",
        "A stretch that the recording lacks: such a silence is called open.",
        "Find out why the requests stopped before changing the timeout. Whether the device really fell back "
        "shows only in the device: its status, its log, its outputs.",
    ),
    Kind(
        "watchdog-masked",
        "watchdog masked",
        "The master in charge was silent for longer than the timeout, but another station's requests kept the "
        "watchdog fed, so that the output went on without control.",
        "A hand-over between redundant masters: declare them as one group in the site file.",
        "Let only the controlling master's requests feed the watchdog (a write, a changing value), if the device can; "
        "otherwise watch the master's life sign in the device or in a safety circuit.",
    ),
    Kind(
        "no-reply",
        "replies missing",
        "Requests stayed without a reply although the recording lacks nothing there.",
        "Replies that the recording lost: those are counted as unknown.",
        "See whether TCP acknowledged them (the device's program stalls) or not (device off, link or address), "
        "and what else the device had to do at that time.",
    ),
    Kind(
        "late-reply",
        "replies late",
        "Replies came after the master had given up and gone on; it throws such replies away.",
        "Pipelining, where the next request follows at once by design.",
        "Set the master's time-out above the device's longest normal reply time, or ask less often.",
    ),
    Kind(
        "masters-sum-over",
        "sum of reads",
        "Each master alone keeps to the device's limit of reads a second, but together they exceed it.",
        "A single burst: that is a remark.",
        "Share out the limit: let one station read and hand on the values, read fewer and larger blocks within the "
        "block limit, or lengthen the periods of what need not be quick.",
    ),
    Kind(
        "reads-too-dense",
        "too many reads",
        "More reads a second than the device tolerates.",
        "A regular poll at exactly the limit, which jitter carries over it in single windows.",
        "Join neighbouring reads within the block limit, lengthen periods, and spread the reads over the cycle.",
    ),
    Kind(
        "block-too-long",
        "block too long",
        "A read asks for more registers at once than the device takes.",
        "Coils and discrete inputs, which are counted in bits.",
        "Split the read into blocks within the limit.",
    ),
    Kind(
        "exception-reply",
        "exceptions",
        "The device answers requests with an exception.",
        "A missing reply: an exception shows that the device is alive and refuses.",
        "See what the code says, and compare the request with the device's list of registers.",
    ),
    Kind(
        "second-writer",
        "two writers",
        "Two masters write the same registers or coils while both are at work.",
        "A hand-over between redundant masters, where one stops before the other begins.",
        "Decide which station owns the value, and let the other ask that one.",
    ),
    Kind(
        "watchdog-close",
        "close to watchdog",
        "The watchdog was not due, but hardly a poll more might have gone missing.",
        "A device that is asked slowly on purpose and has a timeout to match.",
        "Poll the device more often, or lengthen the timeout as far as the process allows.",
    ),
    Kind(
        "watchdog-off",
        "watchdog off",
        "The site file says that the device's watchdog never trips, so it keeps its output whatever happens.",
        "A watchdog whose timeout is not stated.",
        "Set a timeout unless a documented reason speaks against it.",
    ),
    Kind(
        "resent-request",
        "requests resent",
        "The master sent the same request again as a new message; the device may have carried it out twice.",
        "TCP sending lost bytes again, which the device sees once.",
        "Find out why the first one stayed without a reply; for writes that count or toggle, once too often matters.",
    ),
    Kind(
        "scattered-reads",
        "reads scattered",
        "One master reads neighbouring addresses in several requests where fewer would do.",
        "Blocks kept apart because the device cannot read across them.",
        "Join them, if the device's documentation allows reading across.",
    ),
)

BY_CODE = {kind.code: kind for kind in CATALOGUE}
SEVERITY = {kind.code: place for place, kind in enumerate(CATALOGUE)}
