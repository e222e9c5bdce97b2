"""Every finding's code, with what it means, what it must not be mistaken for, and what to do: one table.

The reference page, the order of findings and the advice printed with each are made from it.
"""

from __future__ import annotations

from mbsniff.diagnose.kind import Kind
from mbsniff.diagnose.patterns.catalogue import PATTERNS

GENERAL: tuple[Kind, ...] = (
    Kind(
        "incident",
        "incident",
        "fault or risk, as its worst silence",
        "Watchdogs of several devices were due together: the first cause, then what followed from it.",
        "Last feeds within a polling period of each other, with one cause, path or master; or a device that a master "
        "waited for while others went without.",
        "Silences that merely overlap, with causes of their own: those are incidents of their own.",
        "Begin with the first cause; what followed from it ends with it. Each device's own finding has its frames.",
    ),
    Kind(
        "watchdog-due",
        "watchdog due",
        "fault; risk where it is only possible",
        "No request that feeds the device's watchdog was seen for longer than its timeout.",
        "The times of the requests that feed it, of their replies, and the stated timeout.",
        "A stretch that the recording lacks: such a silence is called open.",
        "Find out why the requests stopped before changing the timeout. Whether the device really fell back "
        "shows only in the device: its status, its log, its outputs.",
    ),
    Kind(
        "watchdog-masked",
        "watchdog masked",
        "fault; risk where the recording lacks bytes of the masters",
        "The master in charge was silent for longer than the timeout, but another station's requests kept the "
        "watchdog fed, so that the output went on without control.",
        "The times of each master's own requests beside those of all masters.",
        "A hand-over between redundant masters: declare them as one group in the site file.",
        "Let only the controlling master's requests feed the watchdog (a write, a changing value), if the device can; "
        "otherwise watch the master's life sign in the device or in a safety circuit.",
    ),
    Kind(
        "no-reply",
        "replies missing",
        "fault from 1 in 20 (and 3) on, else risk",
        "Requests stayed without a reply although the recording lacks nothing there.",
        "Requests without a reply, in a stretch in which TCP shows no lost bytes of the device.",
        "Replies that the recording lost: those are counted as unknown.",
        "See whether TCP acknowledged them (the device's program stalls) or not (device off, link or address), "
        "and what else the device had to do at that time.",
    ),
    Kind(
        "late-reply",
        "replies late",
        "fault from 1 in 20 (and 3) on, else risk",
        "Replies came after the master had given up and gone on; it throws such replies away.",
        "Replies with an older request's identifier after the master's next request.",
        "Pipelining, where the next request follows at once by design.",
        "Set the master's time-out above the device's longest normal reply time, or ask less often.",
    ),
    Kind(
        "masters-sum-over",
        "sum of reads",
        "fault",
        "Each master alone keeps to the device's limit of reads a second, but together they exceed it.",
        "The most reads in any 10 s, together and for each master, and the stated limit.",
        "A single burst: that is a remark.",
        "Share out the limit: let one station read and hand on the values, read fewer and larger blocks within the "
        "block limit, or lengthen the periods of what need not be quick.",
    ),
    Kind(
        "reads-too-dense",
        "too many reads",
        "fault; remark for a single second without harm",
        "More reads a second than the device tolerates.",
        "The most reads in any 10 s and in any second, and the stated limit.",
        "A regular poll at exactly the limit, which jitter carries over it in single windows.",
        "Join neighbouring reads within the block limit, lengthen periods, and spread the reads over the cycle.",
    ),
    Kind(
        "block-too-long",
        "block too long",
        "fault",
        "A read asks for more registers at once than the device takes.",
        "The quantity of the requests and the stated limit.",
        "Coils and discrete inputs, which are counted in bits.",
        "Split the read into blocks within the limit.",
    ),
    Kind(
        "exception-reply",
        "exceptions",
        "fault for codes 04, 0A and 0B, else risk",
        "The device answers requests with an exception.",
        "The exception code of the replies.",
        "A missing reply: an exception shows that the device is alive and refuses.",
        "See what the code says, and compare the request with the device's list of registers.",
    ),
    Kind(
        "second-writer",
        "two writers",
        "risk",
        "Two masters write the same registers or coils while both are at work.",
        "Writes by two masters whose addresses overlap, during the same stretch.",
        "A hand-over between redundant masters, where one stops before the other begins.",
        "Decide which station owns the value, and let the other ask that one.",
    ),
    Kind(
        "watchdog-close",
        "close to watchdog",
        "risk",
        "The watchdog was not due, but hardly a poll more might have gone missing.",
        "The longest silence and the stated timeout.",
        "A device that is asked slowly on purpose and has a timeout to match.",
        "Poll the device more often, or lengthen the timeout as far as the process allows.",
    ),
    Kind(
        "watchdog-off",
        "watchdog off",
        "risk",
        "The site file says that the device's watchdog never trips, so it keeps its output whatever happens.",
        "The site file.",
        "A watchdog whose timeout is not stated.",
        "Set a timeout unless a documented reason speaks against it.",
    ),
    Kind(
        "resent-request",
        "requests resent",
        "risk",
        "The master sent the same request again as a new message; the device may have carried it out twice.",
        "The same identifier, unit, function, addresses and values under new TCP sequence numbers.",
        "TCP sending lost bytes again, which the device sees once.",
        "Find out why the first one stayed without a reply; for writes that count or toggle, once too often matters.",
    ),
    Kind(
        "setpoint-zero",
        "setpoint to zero",
        "remark",
        "The setpoint whose writes feed the watchdog was zero for longer than the timeout, after it had been something "
        "else: the output is off by command, which from outside looks as if the device had fallen back.",
        "The values written to the registers of which the site file says that writing them feeds the watchdog.",
        "A communication fault: the writes went on.",
        "Ask who or what commanded it: a recipe, an operator, an interlock in the master's program.",
    ),
    Kind(
        "near-misses",
        "near misses",
        "remark",
        "The watchdog was not due, but silences took more than half of its timeout, or more than four fifths.",
        "The times of the requests that feed it and the stated timeout; the cause of the longest few is looked for as "
        "that of a due watchdog is.",
        "Polling that is always so slow, which is told as close to the watchdog.",
        "Find out what keeps the master from asking before it takes longer.",
    ),
    Kind(
        "scattered-reads",
        "reads scattered",
        "remark",
        "One master reads neighbouring addresses in several requests where fewer would do.",
        "Addresses, quantities and periods of the polls.",
        "Blocks kept apart because the device cannot read across them.",
        "Join them, if the device's documentation allows reading across.",
    ),
)

CATALOGUE = (*GENERAL, *PATTERNS)
BY_CODE = {kind.code: kind for kind in CATALOGUE}
SEVERITY = {kind.code: place for place, kind in enumerate(CATALOGUE)}
