"""Nothing in, the table of causes out: which evidence argues for each, which against, and what would decide.

To correct a verdict, correct a row. The rows are tried from the top; the first whose evidence is all there, with
none that speaks against it, is the verdict. Evidence goes by the names of `mbsniff.diagnose.causes.evidence`.
Where a silence is no longer than usual, only the rows marked ``in_health`` are tried.
"""

from __future__ import annotations

from mbsniff.diagnose.causes.row import Neighbour, Row

SECOND_MIRROR = "a second mirror port, at the device's own switch, at the same time"
DEVICE_LOG = "the device's log, or a register that counts its hours or starts"
MASTER_LOG = "the master's log: program stopped, restarted, task disabled, host switched off"
SWITCH_LOG = "the switches' logs: link down and up, by port and time"
PROGRAM = "the master's program: under which condition it leaves this device out"

NO_TRAFFIC_WAITS = ("tried-in-vain", "attempts-refused", "late-replies")

TABLE: tuple[Row, ...] = (
    Row(
        "recording-gap",
        "No frames at all, or TCP shows bytes that the recording lacks. Without periodic background traffic a dead "
        "mirror and a silent plant look alike.",
        any_of=("bytes-unrecorded", "replies-unrecorded", "blank-recording"),
        adds=(("blank-stands-out", "{}"),),
        certainty="open",
        surer=(("bytes-unrecorded",), ("replies-unrecorded",), ("blank-recording", "blank-stands-out"),
               ("bytes-unrecorded", "blank-recording")),
        neighbours=(
            Neighbour("master-not-heard", "the masters may have been silent all the same", has="bytes-unrecorded"),
        ),
        decides=("the recorder's own log and drop counters", "a second recorder",
                 "an echo once a second while recording, as a sign of life"),
        advice="Find out why the recorder missed frames (mirror overloaded, disk, capture filter), and record again.",
    ),
    Row(
        "flow-dead",
        "One connection dies without acknowledgement while a new one, or another master's, works: a filter or an "
        "address translation forgot it.",
        says="only this connection was dead",
        all_of=("sent-again-unacknowledged",),
        any_of=("other-connection-healthy", "new-connection-at-once"),
        none_of=("attempts-unanswered", "attempts-refused", "reset-to-old-data", "sent-by-device-again",
                 "acknowledged-without-reply"),
        surer=(("other-connection-healthy", "new-connection-at-once"),),
        neighbours=(
            Neighbour("device-unreachable", "the path may have come back just before the new attempt",
                      has="other-connection-healthy"),
            Neighbour("device-restarted", "", lacks="reset-to-old-data"),
        ),
        decides=("the session table or log of whatever filters or translates between master and device",
                 SECOND_MIRROR),
        advice="Look for a firewall, router or switch with filters between master and device: its idle timeout, and "
        "what it was doing then. Shorter keep-alive intervals in the master keep such entries alive.",
    ),
    Row(
        "device-restarted",
        "Not heard for a while, then a reset in answer to data on a connection that it no longer knows, from the "
        "device's own hardware address and usual hop count (otherwise a box between sent it). An announcement alone "
        "only says that the link came up.",
        says="the device lost its connections",
        all_of=("reset-to-old-data",),
        neighbours=(
            Neighbour("connection-ended", "a box between the two may have sent the reset: the recording has no "
                      "hardware addresses that tell"),
            Neighbour("device-unreachable", "", has="reset-to-old-data"),
        ),
        decides=(DEVICE_LOG, "the hardware address and hop count of the reset"),
        advice="Look at the device's supply and log: a restart, a brown-out, a reset by its own supervision.",
    ),
    Row(
        "connect-refused",
        "Attempts to connect are answered by resets. \"No free slot\" is said only while another client is being "
        "served.",
        says="the device did not take the connection",
        all_of=("attempts-refused",),
        adds=(("other-connection-healthy", "no free slot: {}"), ("ended-by-device", "{}")),
        surer=(("other-connection-healthy",), ("ended-by-device",)),
        neighbours=(
            Neighbour("connection-ended", "", has="attempts-refused"),
            Neighbour("device-unreachable", "", has="attempts-refused"),
            Neighbour("device-restarted", "its server may have been starting", lacks="reset-to-old-data"),
        ),
        decides=("the device's list of open connections", DEVICE_LOG),
        advice="See how many connections the device takes and who holds them; close those of stations that do not "
        "need one. Where nobody is served, see whether its Modbus server runs at all.",
    ),
    Row(
        "device-unreachable",
        "The device's replies, or its part of the handshakes, are recorded again and again while the master sends its "
        "requests again: the return path is lost.",
        says="the return path is lost",
        all_of=("sent-by-device-again",),
        any_of=("sent-again-unacknowledged", "attempts-unanswered", "connection-ended"),
        none_of=("other-connection-healthy",),
        surer=(("sent-again-unacknowledged",),),
        neighbours=(
            Neighbour("device-stalled", "", has="sent-by-device-again"),
            Neighbour("connection-ended", "", has="sent-by-device-again"),
            Neighbour("master-stopped", "its host may receive and not answer", has="sent-again-unacknowledged"),
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
        any_of=("sent-again-unacknowledged", "attempts-unanswered"),
        none_of=("device-heard", "sent-by-device-again", "one-direction"),
        adds=(("old-connection-resumes", "this points to the path, since {}"),),
        surer=(("old-connection-resumes",), ("sent-again-unacknowledged", "attempts-unanswered")),
        neighbours=(
            Neighbour("device-stalled", "", lacks="acknowledged-without-reply"),
            Neighbour("flow-dead", "no new connection was tried while the old one was dead", has="attempts-unanswered"),
            Neighbour("device-restarted", "it may have been off or starting, unless its path was cut",
                      has="old-connection-resumes"),
        ),
        decides=(SWITCH_LOG, DEVICE_LOG, SECOND_MIRROR),
        advice="Look at the device's supply, cable and switch port first; then at what lies between.",
    ),
    Row(
        "device-saturated",
        "The load rises first, all masters together, then service times climb or busy replies come, then it stops.",
        says="more was asked of it than it can do",
        all_of=("load-rose-first", "overload-signs"),
        none_of=("sent-again-unacknowledged",),
        adds=(("service-time-rose", "then {}"), ("busy-replies", "then {}")),
        surer=(("service-time-rose", "busy-replies"),),
        neighbours=(
            Neighbour("device-slow", "", has="load-rose-first"),
            Neighbour("device-stalled", "", has="overload-signs"),
            Neighbour("replies-late", "", has="load-rose-first"),
        ),
        decides=("the same recording with the added load taken away",),
        advice="Take the added load away: let one station read and hand on the values, read fewer and larger blocks, "
        "lengthen the periods of what need not be quick.",
    ),
    Row(
        "replies-late",
        "Replies come after the master has given up, again and again.",
        says="the device answered, but too late for the master",
        all_of=("late-replies",),
        adds=(("service-time-rose", "{}"),),
        surer=(("late-replies",),),
        neighbours=(
            Neighbour("device-stalled", "", has="late-replies"),
            Neighbour("device-saturated", "too little was recorded before to tell", lacks="load-rose-first"),
        ),
        decides=("a longer time-out in the master, for a test",),
        advice="Set the master's time-out above the device's longest normal reply time; find out why it takes so long.",
    ),
    Row(
        "device-slow",
        "Service times climb at constant load, until replies take longer than the master waits.",
        says="the device became slow at the same load",
        all_of=("service-time-rose", "missing-replies"),
        none_of=("load-rose-first", "sent-again-unacknowledged"),
        adds=(("missing-replies", "then {}"),),
        surer=(("acknowledged-without-reply",),),
        neighbours=(
            Neighbour("device-saturated", "", lacks="load-rose-first"),
            Neighbour("device-stalled", "", has="service-time-rose"),
            Neighbour("device-unreachable", "", has="acknowledged-without-reply"),
        ),
        decides=("its load on other interfaces (fieldbus, display, web page) at that time", DEVICE_LOG),
        advice="Look at what else the device had to do then: other interfaces, its own program, a start of something.",
    ),
    Row(
        "device-stalled",
        "The device's TCP acknowledges, but no reply comes, or it closes its window: its program does not read.",
        any_of=("acknowledged-without-reply",),
        none_of=("sent-again-unacknowledged",),
        adds=(("accepted-meanwhile", "{}"),),
        surer=(("accepted-meanwhile",),),
        neighbours=(
            Neighbour("device-unreachable", "", has="acknowledged-without-reply"),
            Neighbour("replies-late", "", lacks="late-replies"),
            Neighbour("device-saturated", "too little was recorded before to tell", lacks="load-rose-first"),
            Neighbour("target-dead", "", lacks="target-exceptions"),
        ),
        decides=(DEVICE_LOG, "what its display or lamps showed at that time"),
        advice="Its program hangs while its network stack lives: look at the log, the cycle time, the firmware.",
    ),
    Row(
        "target-dead",
        "A gateway answers 0A or 0B for the unit: the device behind it, or its serial line, is dead.",
        all_of=("target-exceptions",),
        adds=(("other-units-served", "{}"),),
        surer=(("other-units-served",),),
        neighbours=(
            Neighbour("device-stalled", "", has="target-exceptions"),
            Neighbour("feed-wrong", "", has="target-exceptions"),
        ),
        decides=("a recording on the serial line", "whether other units on that line answer"),
        advice="Look behind the gateway: the unit's supply and address, the line, its ends and its settings.",
    ),
    Row(
        "feed-wrong",
        "Requests arrive, often enough, but none that feeds this watchdog: the one that does is missing, refused, or "
        "writes a value that should change and does not.",
        any_of=("unfeeding-requests", "other-exceptions"),
        neighbours=(
            Neighbour("poll-dropped", "", has="unfeeding-requests"),
            Neighbour("target-dead", "", lacks="target-exceptions"),
            Neighbour("device-saturated", "too little was recorded before to tell", lacks="load-rose-first"),
        ),
        decides=(PROGRAM, "the device's manual: what restarts its watchdog"),
        advice="Compare what the master sends with what the device's manual says feeds its watchdog.",
    ),
    Row(
        "master-stopped",
        "All connections of a master end within milliseconds, and it opens none: its process died, its host lives.",
        says="the master's program ended",
        all_of=("ended-together", "asked-nobody"),
        adds=(("master-heard", "{}"),),
        surer=(("master-heard",),),
        neighbours=(
            Neighbour("connection-ended", "", has="ended-together"),
            Neighbour("master-not-heard", "", has="ended-together"),
            Neighbour("poll-dropped", "", lacks="asked-others"),
        ),
        decides=(MASTER_LOG,),
        advice="Look at the master: its program ended or was restarted.",
    ),
    Row(
        "connection-ended",
        "One side closed or reset the connection, and re-opening took too long. Evicted: the device had just accepted "
        "another master's connection.",
        all_of=("connection-ended",),
        none_of=("tried-in-vain", "attempts-refused", "ended-together"),
        adds=(("pushed-out", "evicted, {}"),),
        surer=(("pushed-out",),),
        neighbours=(
            Neighbour("master-stopped", "", lacks="ended-together"),
            Neighbour("connect-refused", "", lacks="attempts-refused"),
            Neighbour("device-restarted", "", lacks="reset-to-old-data"),
        ),
        decides=("how long the master waits before it connects again", DEVICE_LOG, MASTER_LOG),
        advice="Shorten the master's wait before it connects again, and find out why the connection was ended.",
    ),
    Row(
        "commanded",
        "A setpoint to zero or a changed timeout was written: not a communication fault.",
        says="not a communication fault",
        any_of=("written-to-zero", "timeout-written"),
        none_of=("asked-nobody", "waits-for-neighbour", *NO_TRAFFIC_WAITS),
        neighbours=(
            Neighbour("poll-dropped", "it was also asked late", lacks="asked-others"),
        ),
        decides=("the master's alarm and operation log: who commanded it",),
        advice="Ask who or what commanded it: a recipe, an operator, an interlock in the master's program.",
        in_health=True,
    ),
    Row(
        "starved-by-neighbour",
        "The master goes on, but waits out time-outs of another device: the silence is a multiple of its time-out × "
        "tries.",
        all_of=("waits-for-neighbour",),
        none_of=NO_TRAFFIC_WAITS,
        surer=(("waits-for-neighbour", "connection-stayed"),),
        neighbours=(
            Neighbour("poll-dropped", "", has="waits-for-neighbour"),
            Neighbour("master-stopped", "", has="waits-for-neighbour"),
        ),
        decides=(PROGRAM,),
        advice="Shorten the master's time-out and tries for the dead neighbour, or ask devices independently of each "
        "other; and mend the neighbour.",
    ),
    Row(
        "poll-dropped",
        "The master goes on with other devices, this connection stays healthy and quiet, then the next request simply "
        "comes late; why the master did not ask is not visible.",
        all_of=("asked-others",),
        none_of=("asked-nobody", "unfeeding-requests", *NO_TRAFFIC_WAITS),
        adds=(("asked-others", "{}; why this one was not asked is not visible on the wire"),
              ("connection-stayed", "{}")),
        surer=(("connection-stayed",),),
        neighbours=(
            Neighbour("starved-by-neighbour", "", lacks="waits-for-neighbour"),
            Neighbour("commanded", "", lacks="written-to-zero"),
            Neighbour("master-stopped", "", has="asked-others"),
            Neighbour("connection-ended", "", lacks="connection-ended"),
        ),
        decides=(PROGRAM, MASTER_LOG),
        advice="Look in the master's program for what leaves this device out: a disabled task, an overloaded cycle, a "
        "condition.",
    ),
    Row(
        "master-stopped",
        "The master's host still answers (acknowledgements, look-ups, echoes), but asks nobody anything.",
        says="the master's host lived, but its program asked nobody",
        all_of=("asked-nobody", "master-heard"),
        none_of=NO_TRAFFIC_WAITS,
        surer=(("keep-alive-probes",),),
        neighbours=(
            Neighbour("master-not-heard", "", has="master-heard"),
            Neighbour("poll-dropped", "", lacks="asked-others"),
            Neighbour("commanded", "", lacks="written-to-zero"),
        ),
        decides=(MASTER_LOG,),
        advice="Look at the master: its program was stopped, hung, or was loaded anew.",
    ),
    Row(
        "master-not-heard",
        "Nothing at all from the master while others are still heard: it is off, or cut off before the mirror port; "
        "the reason stays open.",
        all_of=("asked-nobody", "others-heard"),
        none_of=("master-heard", *NO_TRAFFIC_WAITS),
        adds=(("asked-nobody", "its masters were not heard at all meanwhile ({}): stopped, or cut off before the "
               "mirror port; one recording cannot tell which"),),
        neighbours=(
            Neighbour("master-stopped", "its program may have stopped while nobody spoke to its host"),
            Neighbour("commanded", "", lacks="written-to-zero"),
            Neighbour("recording-gap", "the mirror of its port may have failed"),
        ),
        decides=(MASTER_LOG, SWITCH_LOG, SECOND_MIRROR),
        advice="See whether the master was off, and what lies between it and the mirror port.",
    ),
    Row(
        "device-unreachable",
        "Requests stay without a reply, and nothing says whether the device's TCP had them: the device, its program, "
        "or the path.",
        all_of=("missing-replies",),
        none_of=("one-direction", "acknowledged-without-reply"),
        certainty="open",
        neighbours=(
            Neighbour("device-stalled", "its TCP may have acknowledged together with what came later"),
            Neighbour("replies-late", "", lacks="late-replies"),
        ),
        decides=(DEVICE_LOG, SECOND_MIRROR),
        advice="Look at the device's supply, cable and switch port first; then at what lies between.",
    ),
    Row(
        "none-seen",
        "The recording shows no communication cause: look at interlocks, local mode, trips.",
        says="the recording shows no communication cause",
        adds=(("as-usual", "{}"),),
        certainty="open",
        surer=(("as-usual",),),
        decides=("the device's own log and status: interlocks, local mode, trips",),
        advice="Look at interlocks, local mode and trips.",
        in_health=True,
    ),
)  # fmt: skip
