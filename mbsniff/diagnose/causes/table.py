"""Nothing in, the table of causes out: which evidence argues for each, which against, and what would decide.

To correct a verdict, correct a row. The rows are tried from the top; the first whose evidence is all there, with
none that speaks against it, is the verdict. Evidence goes by the names of `mbsniff.diagnose.causes.evidence`.
Where a silence is no longer than usual, only the rows marked ``in_health`` are tried.
"""

from __future__ import annotations

from mbsniff.diagnose.causes.row import Row, by, never, without

SECOND_MIRROR = "a second mirror port, at the device's own switch, at the same time"
DEVICE_LOG = "the device's log, or a register that counts its hours or starts"
MASTER_LOG = "the master's log: program stopped, restarted, task disabled, host switched off"
SWITCH_LOG = "the switches' logs: link down and up, by port and time"
PROGRAM = "the master's program: under which condition it leaves this device out"
TOO_LITTLE = "too little was recorded before to tell"

TRIED = ("tried-in-vain", "attempts-refused", "late-replies")
"""What shows that the masters did ask, so that their own silence is not the cause."""

TABLE: tuple[Row, ...] = (
    Row(
        "recording-gap",
        "No frames at all, or TCP shows bytes that the recording lacks. Without periodic background traffic a dead "
        "mirror and a silent plant look alike.",
        any_of=("bytes-unrecorded", "replies-unrecorded", "blank-recording"),
        adds=(("blank-stands-out", "{}"),), certainty="open",
        surer=(("bytes-unrecorded",), ("replies-unrecorded",), ("blank-recording", "blank-stands-out"),
               ("bytes-unrecorded", "blank-recording")),
        neighbours=(by("master-not-heard", "bytes-unrecorded", "the masters may have been silent all the same"),),
        decides=("the recorder's own log and drop counters", "a second recorder",
                 "an echo once a second while recording, as a sign of life"),
        advice="Find out why the recorder missed frames (mirror overloaded, disk, capture filter), and record again.",
    ),
    Row(
        "address-conflict",
        "Two hardware addresses alternate on one IP address, or defend it. A single change is a move, a failover or a "
        "replacement.",
        says="two hosts had its address", all_of=("two-hardware-addresses",),
        any_of=("tried-in-vain", "attempts-refused", "connection-ended", "reset-to-old-data"),
        adds=(("reset-from-elsewhere", "{}"),), surer=(("reset-from-elsewhere",),),
        neighbours=(
            by("connect-refused", "two-hardware-addresses"), by("device-restarted", "two-hardware-addresses"),
            by("connection-ended", "two-hardware-addresses"),
        ),
        decides=("the switches' address tables: on which port each hardware address is",),
        advice="Find the second host by its hardware address and take it off the network; field devices normally have "
        "fixed addresses. The masters may go on with the wrong one until their own tables forget it.",
    ),
    Row(
        "address-moved",
        "A lease or an announcement gives the same hardware address another IP address, or a lease is refused; then "
        "nobody answers for the old one.",
        says="the device lost its address", all_of=("tried-in-vain",),
        any_of=("lease-gave-other-address", "lease-refused"), none_of=("device-heard", "device-host-answers"),
        adds=(("lookups-unanswered", "{}"),), surer=(("lookups-unanswered",),),
        neighbours=(
            by("device-unreachable", "lease-gave-other-address", "it may have been off after that"),
            without("address-conflict", "two-hardware-addresses"),
        ),
        decides=("the log of the server that gives leases", "the device's own setting: fixed address or by DHCP"),
        advice="Give the device a fixed address, or a reservation at the server; find out why it asked for a lease.",
    ),
    Row(
        "path-event",
        "Several devices at once, with changes of a spanning tree or a flood of broadcasts.",
        says="the network itself changed or was flooded", all_of=("several-at-once", "tried-in-vain"),
        any_of=("tree-changed", "broadcasts-soared"),
        adds=(("old-connection-resumes", "{}"),), surer=(("old-connection-resumes",),),
        neighbours=(
            by("device-unreachable", "network-news"), without("device-restarted", "reset-to-old-data"),
        ),
        decides=(SWITCH_LOG, "the bridges' own counters of topology changes"),
        advice="Look at the switches: which link went, how the tree is set up, who floods. Ports to field devices are "
        "edge ports.",
    ),
    Row(
        "flow-dead",
        "One connection dies without acknowledgement while a new one, or another master's, works: a filter or an "
        "address translation forgot it.",
        says="only this connection was dead", all_of=("sent-again-unacknowledged",),
        any_of=("other-connection-healthy", "new-connection-at-once"),
        none_of=("attempts-unanswered", "attempts-refused", "reset-to-old-data", "sent-by-device-again",
                 "acknowledged-without-reply"),
        surer=(("other-connection-healthy", "new-connection-at-once"),), on_absence=True,
        neighbours=(
            by("device-unreachable", "other-connection-healthy", "the path may have come back just before that"),
            without("device-restarted", "reset-to-old-data"),
        ),
        decides=("the session table or log of whatever filters or translates on the way", SECOND_MIRROR),
        advice="Look for a firewall, router or switch with filters between master and device: its idle timeout, and "
        "what it was doing then. Shorter keep-alive intervals in the master keep such entries alive.",
    ),
    Row(
        "device-restarted",
        "Not heard for a while, then a reset in answer to data on a connection that it no longer knows, from the "
        "device's own hardware address and usual hop count (otherwise a box between sent it). An announcement alone "
        "only says that the link came up.",
        says="the device lost its connections", all_of=("reset-to-old-data",),
        none_of=("reset-from-elsewhere",),
        adds=(("reset-from-own-hardware", "{}"), ("announced-by-device", "{}")),
        surer=(("reset-from-own-hardware",),),
        neighbours=(
            by("connection-ended", "reset-from-own-hardware", "a box between may have sent the reset: no hardware "
               "address tells"),
            by("device-unreachable", "reset-to-old-data"), without("address-conflict", "two-hardware-addresses"),
        ),
        decides=(DEVICE_LOG, "the hardware address and hop count of the reset"),
        advice="Look at the device's supply and log: a restart, a brown-out, a reset by its own supervision.",
    ),
    Row(
        "connect-refused",
        "Attempts to connect are answered by resets. \"No free slot\" is said only while another client is being "
        "served.",
        says="the device did not take the connection", all_of=("attempts-refused",),
        adds=(("other-connection-healthy", "no free slot: {}"), ("ended-by-device", "{}"),
              ("hardware-address-changed", "{}: a move, a failover or a replacement")),
        surer=(("other-connection-healthy",), ("ended-by-device",)),
        neighbours=(
            by("connection-ended", "attempts-refused"), by("device-unreachable", "attempts-refused"),
            without("device-restarted", "reset-to-old-data", "its server may have been starting"),
            without("address-conflict", "two-hardware-addresses", "another host may have had its address"),
        ),
        decides=("the device's list of open connections", DEVICE_LOG),
        advice="See how many connections the device takes and who holds them; close those of stations that do not "
        "need one. Where nobody is served, see whether its Modbus server runs at all.",
    ),
    Row(
        "connect-refused",
        "Attempts to connect are ignored, while the device's host answers others, look-ups or echoes.",
        says="the device's host lived, but took no connection", all_of=("attempts-unanswered",),
        any_of=("device-host-answers", "other-connection-healthy"),
        none_of=("attempts-refused", "reset-to-old-data", "sent-by-device-again", "acknowledged-without-reply",
                 "one-direction"),
        neighbours=(
            never("flow-dead", "a filter on the way may let everything through but this"),
            by("device-unreachable", "device-host-answers", "the path of this master alone may have been cut"),
        ),
        decides=("the device's list of open connections", "rules and log of whatever filters on the way"),
        advice="See how many connections the device takes and who holds them, and whether a filter on the way drops "
        "this master's.",
    ),
    Row(
        "device-unreachable",
        "The device's replies, or its part of the handshakes, are recorded again and again while the master sends its "
        "requests again: the return path is lost.",
        says="the return path is lost", all_of=("sent-by-device-again",),
        any_of=("sent-again-unacknowledged", "attempts-unanswered", "connection-ended"),
        none_of=("other-connection-healthy",), surer=(("sent-again-unacknowledged",),), on_absence=True,
        neighbours=(
            by("device-stalled", "sent-by-device-again"), by("connection-ended", "sent-by-device-again"),
            by("master-stopped", "sent-again-unacknowledged", "its host may receive and not answer"),
        ),
        decides=("a second mirror port, at the master's switch port", "the counters of that switch port"),
        advice="Look between this recorder and the master: what comes from the device gets this far and no further. "
        "A duplex fault, a damaged pair in the cable, a one-way filter, a wrong forwarding entry.",
    ),
    Row(
        "device-unreachable",
        "Requests sent again unacknowledged, attempts to connect or address look-ups unanswered, the device heard by "
        "nobody: the device is off, or its path is cut. The old connection resuming afterwards points to the path.",
        says="the device was not heard while the master tried",
        any_of=("sent-again-unacknowledged", "attempts-unanswered", "lookups-unanswered"),
        none_of=("device-heard", "device-host-answers", "sent-by-device-again", "one-direction"),
        adds=(("host-errors", "{}"), ("several-at-once", "{}"), ("announced-by-device", "{}"),
              ("hardware-address-changed", "{}: a move, a failover or a replacement"),
              ("old-connection-resumes", "{}: the path, not the device")),
        surer=(("old-connection-resumes",), ("lookups-unanswered",), ("host-errors",), ("several-at-once",),
               ("sent-again-unacknowledged", "attempts-unanswered")),
        on_absence=True,
        neighbours=(
            without("device-stalled", "acknowledged-without-reply"),
            by("flow-dead", "attempts-unanswered", "no new connection was tried while the old one was dead"),
            by("device-restarted", "old-connection-resumes", "it may have been off or starting"),
            without("address-moved", "lease-gave-other-address"),
            without("path-event", "network-news"),
        ),
        decides=(SWITCH_LOG, DEVICE_LOG, SECOND_MIRROR),
        advice="Look at the device's supply, cable and switch port first; then at what lies between.",
    ),
    Row(
        "device-saturated",
        "The load rises first, all masters together, then service times climb or busy replies come, then it stops.",
        says="more was asked of it than it can do", all_of=("load-rose-first", "overload-signs"),
        none_of=("sent-again-unacknowledged",),
        adds=(("service-time-rose", "then {}"), ("busy-replies", "then {}"), ("window-closed", "then {}")),
        surer=(("service-time-rose", "busy-replies"),),
        neighbours=(
            by("device-slow", "load-rose-first"), by("device-stalled", "overload-signs"),
            by("replies-late", "load-rose-first"),
        ),
        decides=("the same recording with the added load taken away",),
        advice="Take the added load away: let one station read and hand on the values, read fewer and larger blocks, "
        "lengthen the periods of what need not be quick.",
    ),
    Row(
        "replies-late",
        "Replies come after the master has given up, again and again.",
        says="the device answered, but too late for the master", all_of=("late-replies",),
        adds=(("service-time-rose", "{}"),), surer=(("late-replies",),),
        on_absence=True, open_without=("load-rose-first",),
        neighbours=(
            by("device-stalled", "late-replies"), by("device-slow", "late-replies"),
            without("device-saturated", "load-rose-first", TOO_LITTLE),
        ),
        decides=("a longer time-out in the master, for a test",),
        advice="Set the master's time-out above the device's longest normal reply time; find out why it takes so long.",
    ),
    Row(
        "device-slow",
        "Service times climb at constant load, until replies take longer than the master waits.",
        says="the device became slow at the same load", all_of=("service-time-rose", "missing-replies"),
        none_of=("load-rose-first", "sent-again-unacknowledged"), surer=(("acknowledged-without-reply",),),
        on_absence=True, open_without=("load-rose-first",),
        neighbours=(
            without("device-saturated", "load-rose-first"), by("device-stalled", "service-time-rose"),
            by("device-unreachable", "acknowledged-without-reply"),
        ),
        decides=("its load on other interfaces (fieldbus, display, web page) at that time", DEVICE_LOG),
        advice="Look at what else the device had to do then: other interfaces, its own program, a start of something.",
    ),
    Row(
        "device-stalled",
        "The device's TCP acknowledges, but no reply comes, or it closes its window: its program does not read.",
        any_of=("acknowledged-without-reply", "window-closed"), none_of=("sent-again-unacknowledged",),
        adds=(("accepted-meanwhile", "{}"),), surer=(("accepted-meanwhile",), ("window-closed",)),
        on_absence=True, open_without=("load-rose-first",),
        neighbours=(
            by("device-unreachable", "acknowledged-without-reply"), without("replies-late", "late-replies"),
            without("device-saturated", "load-rose-first", TOO_LITTLE), without("target-dead", "target-exceptions"),
        ),
        decides=(DEVICE_LOG, "what its display or lamps showed at that time"),
        advice="Its program hangs while its network stack lives: look at the log, the cycle time, the firmware.",
    ),
    Row(
        "target-dead",
        "A gateway answers 0A or 0B for the unit: the device behind it, or its serial line, is dead.",
        all_of=("target-exceptions",),
        adds=(("other-units-served", "{}"),), surer=(("other-units-served",),),
        neighbours=(by("device-stalled", "target-exceptions"), by("feed-wrong", "target-exceptions")),
        decides=("a recording on the serial line", "whether other units on that line answer"),
        advice="Look behind the gateway: the unit's supply and address, the line, its ends and its settings.",
    ),
    Row(
        "feed-wrong",
        "Requests arrive, but exceptions answer most of them, and exceptions feed nothing here.",
        all_of=("other-exceptions",), on_absence=True, open_without=("load-rose-first",),
        neighbours=(
            without("target-dead", "target-exceptions"), by("device-stalled", "other-exceptions"),
            without("device-saturated", "load-rose-first", TOO_LITTLE),
        ),
        decides=("the device's list of registers and functions", DEVICE_LOG),
        advice="See what the exception says, and compare the request with the device's list of registers.",
    ),
    Row(
        "feed-wrong",
        "Requests arrive, often enough, but none that feeds this watchdog: the one that does is missing, or writes a "
        "value that should change and does not.",
        all_of=("unfeeding-requests",), on_absence=True,
        neighbours=(by("poll-dropped", "unfeeding-requests"), by("device-stalled", "unfeeding-requests")),
        decides=(PROGRAM, "the device's manual: what restarts its watchdog"),
        advice="Compare what the master sends with what the device's manual says feeds its watchdog.",
    ),
    Row(
        "master-stopped",
        "All connections of a master end within milliseconds, and it opens none: its process died, its host lives.",
        says="the master's program ended", all_of=("ended-together", "asked-nobody"),
        adds=(("master-heard", "{}"),), surer=(("master-heard",),),
        neighbours=(
            by("connection-ended", "ended-together"), by("master-not-heard", "ended-together"),
            without("poll-dropped", "asked-others"),
        ),
        decides=(MASTER_LOG,),
        advice="Look at the master: its program ended or was restarted.",
    ),
    Row(
        "connection-ended",
        "One side closed or reset the connection, and re-opening took too long. Evicted: the device had just accepted "
        "another master's connection.",
        all_of=("connection-ended",), none_of=("tried-in-vain", "attempts-refused", "ended-together"),
        adds=(("pushed-out", "evicted, {}"), ("reset-from-elsewhere", "{}")),
        surer=(("pushed-out",), ("reset-from-elsewhere",)), on_absence=True,
        neighbours=(
            without("master-stopped", "ended-together"), without("connect-refused", "attempts-refused"),
            without("device-restarted", "reset-to-old-data"), by("poll-dropped", "connection-ended"),
        ),
        decides=("how long the master waits before it connects again", DEVICE_LOG, MASTER_LOG),
        advice="Shorten the master's wait before it connects again, and find out why the connection was ended.",
    ),
    Row(
        "commanded",
        "A setpoint to zero or a changed timeout was written: not a communication fault.",
        says="not a communication fault", any_of=("written-to-zero", "timeout-written"),
        none_of=("asked-nobody", "waits-for-neighbour", *TRIED),
        neighbours=(without("poll-dropped", "asked-others"), by("master-stopped", "asked-others")),
        decides=("the master's alarm and operation log: who commanded it",),
        advice="Ask who or what commanded it: a recipe, an operator, an interlock in the master's program.",
        in_health=True,
    ),
    Row(
        "starved-by-neighbour",
        "The master goes on, but waits out time-outs of another device: the silence is a multiple of its time-out × "
        "tries.",
        all_of=("waits-for-neighbour",), none_of=TRIED,
        adds=(("connection-stayed", "{}"),), surer=(("connection-stayed",),),
        neighbours=(by("poll-dropped", "waits-for-neighbour"), by("master-stopped", "waits-for-neighbour")),
        decides=(PROGRAM,),
        advice="Shorten the master's time-out and tries for the dead neighbour, or ask devices independently of each "
        "other; and mend the neighbour.",
    ),
    Row(
        "poll-dropped",
        "The master goes on with other devices, this connection stays healthy and quiet, then the next request simply "
        "comes late; why the master did not ask is not visible.",
        all_of=("asked-others",), none_of=("asked-nobody", "asked-itself", *TRIED),
        adds=(("asked-others", "{}; why this one was not asked is not visible on the wire"),
              ("connection-stayed", "{}")),
        surer=(("connection-stayed",),), on_absence=True,
        neighbours=(
            without("starved-by-neighbour", "waits-for-neighbour"), without("commanded", "written-to-zero"),
            by("master-stopped", "asked-others"), without("connection-ended", "connection-ended"),
        ),
        decides=(PROGRAM, MASTER_LOG),
        advice="Look in the master's program for what leaves this device out: a disabled task, an overloaded cycle, a "
        "condition.",
    ),
    Row(
        "master-stopped",
        "The master's host still answers (acknowledgements, look-ups, echoes), but asks nobody anything.",
        says="the master's host lived, but its program asked nobody", all_of=("asked-nobody", "master-heard"),
        none_of=TRIED, surer=(("keep-alive-probes",), ("host-answers",)),
        neighbours=(
            by("master-not-heard", "master-heard"), without("poll-dropped", "asked-others"),
            without("commanded", "written-to-zero"),
        ),
        decides=(MASTER_LOG,),
        advice="Look at the master: its program was stopped, hung, or was loaded anew.",
    ),
    Row(
        "master-not-heard",
        "Nothing at all from the master while others are still heard: it is off, or cut off before the mirror port; "
        "the reason stays open.",
        all_of=("asked-nobody", "others-heard"), none_of=("master-heard", *TRIED),
        adds=(("asked-nobody", "{} and was not heard at all: stopped, or cut off before the mirror port; one recording "
               "cannot tell which"), ("others-heard", ""), ("master-asked-in-vain", "{}"),
              ("master-announced", "{}")),
        surer=(("master-asked-in-vain",),), on_absence=True,
        neighbours=(
            by("master-stopped", "master-asked-in-vain", "its program may have stopped while nobody spoke to it"),
            without("commanded", "written-to-zero"), never("recording-gap", "the mirror of its port may have failed"),
        ),
        decides=(MASTER_LOG, SWITCH_LOG, SECOND_MIRROR),
        advice="See whether the master was off, and what lies between it and the mirror port.",
    ),
    Row(
        "device-unreachable",
        "Requests stay without a reply, and nothing says whether the device's TCP had them: the device, its program, "
        "or the path.",
        all_of=("missing-replies",), none_of=("one-direction", "acknowledged-without-reply"), certainty="open",
        on_absence=True,
        neighbours=(
            never("device-stalled", "its TCP may have acknowledged together with what came later"),
            without("replies-late", "late-replies"),
        ),
        decides=(DEVICE_LOG, SECOND_MIRROR),
        advice="Look at the device's supply, cable and switch port first; then at what lies between.",
    ),
    Row(
        "none-seen",
        "The recording shows no communication cause: look at interlocks, local mode, trips.",
        says="the recording shows no communication cause",
        adds=(("as-usual", "{}"),), certainty="open", surer=(("as-usual",),),
        decides=("the device's own log and status: interlocks, local mode, trips",),
        advice="Look at interlocks, local mode and trips.",
        in_health=True,
    ),
)  # fmt: skip
