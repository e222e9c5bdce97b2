"""The patterns' codes, each with level, meaning, deciding evidence, look-alike and advice: one table.

It continues the table of `mbsniff.diagnose.catalogue`; the rules stand in the modules beside this one.
"""

from __future__ import annotations

from mbsniff.diagnose.kind import Kind

PATTERNS: tuple[Kind, ...] = (
    Kind(
        "late-lockstep",
        "one step late",
        "fault",
        "Reply after reply comes only after the master has given up and asked the next thing, so that it throws "
        "all away.",
        "At least five requests of a master in a row whose replies bear their own identifiers, but came after the "
        "master's next request.",
        "Single late replies; replies with identifiers that nobody asked for.",
        "Set the master's time-out above the device's longest reply time before looking for a fault in the "
        "device. Values were not taken over meanwhile: before the master acts on them again, see that outputs do "
        "not jump.",
    ),
    Kind(
        "segment-unread",
        "2nd not read",
        "fault",
        "Where two requests share a TCP segment, the device answers the first one only.",
        "At least three segments with two requests of which the last was never answered although TCP did not have "
        "to send it again, no such segment answered in full, and requests in segments of their own answered.",
        "Lost segments, which TCP sends again; requests that are sent ahead in segments of their own.",
        "Have the master send each request in a segment of its own, after the reply to the one before; report it "
        "to the device's maker: TCP does not keep messages apart, the length field does.",
    ),
    Kind(
        "split-unread",
        "split not read",
        "fault",
        "The device does not answer requests that reach it in more than one TCP segment.",
        "A second look at frames: at least three unanswered requests that TCP did not have to send again, all of them "
        "in several segments, while answered ones came in one each.",
        "Lost segments, which TCP sends again; requests in one segment that go unanswered as well.",
        "Have the master hand each request to TCP in one piece; report it to the device's maker: TCP may cut "
        "messages anywhere, the length field says where they end.",
    ),
    Kind(
        "pipelining-ignored",
        "2nd ignored",
        "fault",
        "The master sends a request ahead of the reply to the one before, and the device never answers the second "
        "one.",
        "At least three requests that followed at once (within 50 ms) on one that was answered, none of which was "
        "answered, and which TCP did not have to send again.",
        "Lost segments, which TCP sends again; a device that answers none of the two.",
        "Let the master keep one request outstanding at a time with this device, or raise the number only as far "
        "as its manual allows.",
    ),
    Kind(
        "reply-crossed",
        "replies crossed",
        "fault",
        "A reply came down the connection of a master that did not ask for it, while another connection's like "
        "request stayed without one.",
        "A reply without a request, or with another unit, on one connection, and a request of the same function "
        "on another connection of the same endpoint that waited at that moment and was never answered.",
        "Late replies, which come down the right connection; replies that the device sends twice.",
        "Treat values read through this gateway as doubtful, also for controlling outputs, until it is mended: a "
        "master that does not check unit and identifier takes the other's values for its own. Update the gateway, "
        "or let one master alone use it.",
    ),
    Kind(
        "device-restart",
        "device restarted",
        "fault",
        "The device fell silent and then answered an old connection with a reset: it no longer knows the "
        "connection.",
        "Requests that nobody acknowledged, then the device's reset on the same connection in answer to them, "
        "while nothing else was heard of the endpoint since.",
        "A cable that was pulled, after which the old connection goes on; a filter that forgot one connection "
        "while others went on; a reset out of the blue.",
        "Look at the device's supply and its log. Reset by a box between looks the same, unless the recorder sits "
        "right before the device. Find out what its outputs do while it starts.",
    ),
    Kind(
        "window-closed",
        "window closed",
        "fault",
        "The device's TCP answers, but its program has stopped taking what the masters send.",
        "Segments of the device that announce a receive window of 0, for a second or more until it opens or the "
        "connection ends.",
        "A host that is off or cut off, which announces nothing; a window that closes for a moment under load.",
        "The device's program hangs, or is stuck in something else, while its network part lives: look at its log, "
        "cycle time and firmware. What it has not read yet it may still carry out later, when writes among it are old.",
    ),
    Kind(
        "address-shared",
        "address shared",
        "fault",
        "Two hosts use the device's IP address.",
        "The address with two hardware addresses by turns, the first one again after the second: in look-ups and their "
        "answers, announcements, or segments of the device's port.",
        "A single change, as of a spare device that takes over or a part that was replaced; routers, which send for "
        "many addresses; a mirror port's copies.",
        "Find the second host by its hardware address in the switches' tables and give it an address of its own. Until "
        "then commands may reach the wrong one: check what each has received before outputs are trusted again.",
    ),
    Kind(
        "address-moved",
        "address moved",
        "fault",
        "The device got another IP address by DHCP; masters still ask for the old one.",
        "A lease that gives the device's hardware address another address than it had, and at least two look-ups of "
        "the old one without an answer after that.",
        "A device without power, which gets no lease; a lease that is renewed with the same address.",
        "Give the device a fixed address, or the DHCP server a reservation for its hardware address; see also who else "
        "may get the old one.",
    ),
    Kind(
        "connections-refused",
        "connect refused",
        "fault",
        "Attempts to connect are answered by a reset, and nobody else is being served.",
        "Two or more SYNs answered by the device's reset, with no other connection of the endpoint answering "
        "requests at that time.",
        "A device without a free connection slot, which serves others meanwhile; attempts that nobody answers.",
        "The host is up, but nothing listens on the port: the device's service has not started or has ended, the "
        "port is another one, or a filter refuses. Where connections work now and then, look for a second host "
        "with the same address.",
    ),
    Kind(
        "no-free-slot",
        "no free slot",
        "fault from three refusals on, else risk",
        "The device refuses a connection, or closes it at once, while it goes on serving another master.",
        "SYNs answered by a reset, or connections that the device ends within a second and before any request, "
        "while another client's connection lived: answered before, and answered or closed after.",
        "A service that is down, which serves nobody.",
        "Count who is connected to the device against the number of connections that its manual allows; end those "
        "no longer needed, or let one station read and hand on the values.",
    ),
    Kind(
        "connection-evicted",
        "pushed out",
        "risk",
        "The device ended a master's connection in use right after it had accepted another client's.",
        "Another client's handshake, and within a second the device's close or reset of a connection that had "
        "been used in the last 5 s; twice at least, or with other connections going on.",
        "A restart, which ends all connections; a close at a constant time after the last request.",
        "Count the clients against the number of connections that the device's manual allows, and find out who "
        "the newcomer is.",
    ),
    Kind(
        "connections-leaked",
        "links left open",
        "fault where connections are then refused, else risk",
        "After each outage the master opens a new connection and leaves the old one open at the device.",
        "At least three connections of one client that were given up after requests without a reply or data sent "
        "again, and never closed or reset by either side before the next one was opened.",
        "Several connections opened side by side on purpose, without an outage before.",
        "Let the device drop idle connections or probe them (keep-alive), and the master reset what it gives up; "
        "until then the device runs out of connections after some more outages.",
    ),
    Kind(
        "same-port-restart",
        "old link in way",
        "risk",
        "The master began anew from the same TCP port, and the device, which still held the old connection, did "
        "not accept it at first.",
        "A SYN on a connection that neither side had ended, not accepted, and then the master's reset (its answer "
        "to an acknowledgement of the old connection); or the SYN sent again, while the device's host answers look-ups "
        "or echoes.",
        "A device that is off, whose host answers nothing.",
        "Let the master use another port for each connection, or end its connections when it stops; shorten the "
        "device's keep-alive.",
    ),
    Kind(
        "unit-silent",
        "unit silent",
        "fault",
        "One unit identifier never gets an answer, although the endpoint takes the requests and answers for "
        "another unit.",
        "At least three requests to this unit, none answered by any means, none sent again by TCP or all "
        "acknowledged, while another unit of the endpoint answers in the same stretch.",
        "An endpoint that answers for no unit; a gateway that says 0A or 0B.",
        "Compare the unit identifier in the master with the device's address switch. Behind a gateway that stays "
        "silent instead of answering 0B, the serial device may be off.",
    ),
    Kind(
        "reply-other-unit",
        "another unit",
        "fault",
        "The replies bear another unit identifier than the requests.",
        "Replies with the request's identifier and function, but another unit, on the same connection, and no "
        "other request that they could belong to.",
        "A gateway that crosses the replies of two connections.",
        "Set the unit identifier that the device uses; masters that check it throw such replies away.",
    ),
    Kind(
        "target-silent",
        "target dead",
        "fault",
        "The gateway waits for one unit behind it in vain, and says so each time after the same delay.",
        "At least three exceptions 0B of a unit, nine in ten within a tenth of their median delay (at least 50 "
        "ms).",
        "An immediate 0A or 0B: routing, or overload, of the gateway itself.",
        "See whether the serial device is on, its address, rate and wiring. Each attempt blocks the serial line "
        "for the whole delay: poll a dead unit rarely.",
    ),
    Kind(
        "gateway-path",
        "no gateway path",
        "fault",
        "The gateway refuses at once to pass requests on.",
        "At least three exceptions 0A of a unit, with a median delay below 50 ms.",
        "A serial target that does not answer: 0B after a constant delay.",
        "Check the gateway's routing table and whether the unit identifier is set there; where it comes and goes "
        "with the rate of requests, the gateway is overloaded.",
    ),
    Kind(
        "busy-with-load",
        "busy under load",
        "risk",
        "The device answers busy (06) when it is asked more often, or by more masters, than otherwise.",
        "At least five exceptions 06, in seconds with at least 1.3 times the requests, or half a master more, "
        "than the seconds without any.",
        "Failure (04), which is no matter of load; busy replies at a rate that never changes.",
        "Ask less often, spread the requests, or let one station read and hand on the values. A write that met "
        "busy was not carried out: see that the master writes it again.",
    ),
    Kind(
        "small-segment-stall",
        "segment stall",
        "risk",
        "Replies wait in the device's TCP: it sends a first small part at once, and the rest only when the master has "
        "acknowledged that, which the master's TCP puts off.",
        "Reply times near 40 or 200 ms, and a second look at frames: at least three, and half of those looked at, "
        "whose first part was sent long before, and whose rest left within 5 ms of its acknowledgement.",
        "A slow device, of whose reply nothing was sent before; a reply in parts that wait for nothing.",
        "Have the device's maker write each reply in one piece, or switch off the collecting of small segments "
        "(Nagle's algorithm, RFC 9293, 3.7.4) in the device; until then allow for it in the master's time-out.",
    ),
    Kind(
        "block-edge",
        "over the edge",
        "risk",
        "A block is refused with 02 each time, while a smaller one from the same place is served.",
        "Exception 02 on every request of one start and quantity, and normal replies to a shorter block that lies "
        "within it and has its start.",
        "03, by which the device refuses the quantity; a refused block where nothing was served.",
        "End the block at the last address that the device has. Where it is over by one, see whether the manual "
        "counts from 1 and the request from 0: then all values are those of the neighbour, and writes would go to "
        "the wrong place.",
    ),
    Kind(
        "wrong-length",
        "wrong length",
        "fault from three on, else risk",
        "Messages whose length or byte count is not what their function asks for.",
        "Complete messages, cut by the length field, whose size or byte count does not fit the function.",
        "Frames that the recorder cut short: those are counted apart.",
        "Report it to the maker of whoever sent them; a receiver that trusts the length field loses step with the "
        "stream.",
    ),
    Kind(
        "reply-twice",
        "replies twice",
        "risk",
        "The device sends replies again as new messages.",
        "At least three replies without a request, each within a second of an answered request of the same unit, "
        "function and client, with nothing of the masters lost and no request at the endpoint waiting for them.",
        "A mirror port's copy, or data that TCP sends again: both have the same sequence number.",
        "Update the device; until then use a master that throws away replies whose identifier it does not wait "
        "for.",
    ),
    Kind(
        "reconnect-storm",
        "reconnect storm",
        "risk",
        "A master opens connections over and over, with no more than a request on each.",
        "At least twenty SYNs (not sent again by TCP) of one client to one endpoint within 10 s, and at most one "
        "request each.",
        "A scan, which tries many ports or devices.",
        "Keep one connection open and use it for all requests, or wait between attempts; many small devices run "
        "out of connections.",
    ),
    Kind(
        "idle-close",
        "closed when idle",
        "risk",
        "The device closes connections at a constant time after the last request.",
        "At least three closes by the device, at times after the client's last request that differ by at most a "
        "twentieth (at least a second each), with the client's side still open.",
        "Pushing out by a newcomer, at any time; a close that the master began.",
        "Poll more often than the device's idle time, or lengthen that in the device; each close costs a new "
        "connection before the next request.",
    ),
    Kind(
        "probes-only",
        "only keep-alive",
        "risk",
        "The master's TCP kept the connection alive, but its program asked nothing.",
        "At least three keep-alive probes of a client without any request of that client between them, for more "
        "than three of its fastest poll's periods, and no end of the connection after them.",
        "A second connection that stands by while another one is polled; a connection that nobody answers any "
        "more; a closed window, which TCP probes in the same way.",
        "Look at the master's program: its host and the path are well. Probes feed no watchdog.",
    ),
    Kind(
        "life-sign-frozen",
        "life sign frozen",
        "risk",
        "A value that changed with each write stopped changing, while the writes went on.",
        "A poll with at least twenty writes in a row that each bring another value, then at least ten that all "
        "bring the same.",
        "A setpoint that is written over and over and seldom changes.",
        "If this is the life sign that feeds the device's watchdog, the master's program has stopped although its "
        "communication goes on; find out what the outputs do then.",
    ),
    Kind(
        "fixed-identifier",
        "fixed identifier",
        "risk where requests stayed without a timely reply, else remark",
        "The master uses the same transaction identifier for every request, so only the order tells which reply "
        "is whose.",
        "At least nine in ten of a device's answered requests (ten at least) bear the identifier of the request "
        "before, from the beginning on.",
        "Replies that come a step late, whose identifiers count on.",
        "Let the master count the identifier up; until then keep one request outstanding at a time, and open a "
        "new connection after a reply that failed to come.",
    ),
    Kind(
        "identifier-reused",
        "identifier reused",
        "risk",
        "After a reply that failed to come, the master used the same transaction identifier for another request, "
        "so that nobody can tell whose the next reply is.",
        "At least three requests of the same unit and function, but with other addresses or values, that bear the "
        "identifier of an unanswered request before them on the same connection.",
        "A counter that begins again on a new connection; a request that is sent again unchanged; one identifier "
        "for all.",
        "Have the master count the identifier up with every request. Values read right after a missing reply are "
        "doubtful until then, also where outputs depend on them.",
    ),
    Kind(
        "starved",
        "starved",
        "risk",
        "The master did not ask this device because it was waiting for the replies of another one.",
        "The longest silence has at least twice the period of the fastest poll and kept to the timeout; for at "
        "least half of it the device's master waited for requests to other devices that were never answered.",
        "A device whose own replies fail to come; a master that asks nobody.",
        "Give the dead neighbour a short time-out, few tries and a long pause between them, or ask it by a task "
        "of its own; time-out times tries must leave room within every other device's watchdog.",
    ),
    Kind(
        "backed-off",
        "backed off",
        "risk",
        "The path was well again, but TCP waited on for its next attempt, at intervals that had doubled each "
        "time.",
        "At least three repetitions at doubling intervals on a connection that then goes on, the last at least a "
        "second after another client of the endpoint, which had gone without replies as well, was answered again.",
        "A single connection that died while others went on; an outage that lasted as long as the repetitions.",
        "Let the master give up and open a new connection after its own time-out instead of leaving it to TCP, or "
        "limit TCP's longest interval in the master's operating system.",
    ),
    Kind(
        "serial-framing",
        "serial framing",
        "remark; risk where nothing is answered",
        "Messages go over the network as on a serial line: unit, PDU and CRC-16, without an MBAP header.",
        "At least three messages of a client and endpoint that have the length that their function asks for and a "
        "right CRC-16 at their end, on connections on which no MBAP message was found.",
        "MBAP messages whose bytes happen to have a right CRC; damaged MBAP headers.",
        "Such messages have no transaction identifier: a late reply is taken for the next one's, and only the order "
        "tells which belong together. Where device and master can, set both to Modbus TCP; where a converter passes "
        "serial frames on, set it to convert them, and change nothing while outputs depend on it.",
    ),
)
