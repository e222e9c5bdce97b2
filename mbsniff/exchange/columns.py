"""What exchange hands to measure: transactions as columns, a table of polls, and link events."""

from __future__ import annotations

# Status of a transaction: the low bits of the status column (definitions: DEVELOPERS.md).
OPEN = 0
ANSWERED = 1
BY_ORDER = 2
PIPELINED = 3
LATE = 4
MISADDRESSED = 5
UNANSWERED = 6
UNKNOWN = 7
BROADCAST = 8
ORPHAN = 9
STATUS_MASK = 0x0F
STATUS_NAMES = (
    "open", "answered", "by-order", "pipelined", "late",
    "misaddressed", "unanswered", "unknown", "broadcast", "orphan",
)  # fmt: skip

# Marks beside the status, in the same byte.
CHANGED = 0x10  # a write of a value other than that poll's last one
RESENT = 0x20  # the master sent the request again as a new message
SENT_AGAIN = 0x40  # TCP sent the request's bytes again
NOT_THE_SHAPE = 0x80  # request or reply is not as its function's format asks

NO_CODE = 0xFF  # exception column: an exception whose code is 0, or not in the recording

# Columns of the poll table: a poll is (master, endpoint, unit, function, addresses).
P_WHO = 0  # pair << 16 | unit << 8 | function; pair: index of (client address, server address, port)
P_READ = 1  # (start + 2) << 17 | (quantity + 1)
P_WRITE = 2  # the same of the written range (function 23), else 0
P_COUNT = 3  # transactions
P_ANSWERED = 4
P_CHANGES = 5  # writes of a value other than the one before
P_VALUE = 6  # the value column's last entry, -1 before the first; while reading: the last one read
P_FIRST_NS = 7  # the earliest request
P_LAST_NS = 8  # the latest request
P_NEXT = 9  # the poll that followed it on its connection last time; for the loop alone
POLL_COLUMNS = 10
NO_ADDRESS = -1  # START of functions that have none
ORPHAN_START = -2  # START of the row that collects a device's replies without requests

# Columns of the event table.
E_KIND = 0  # a kind of mbsniff.wire.rows from ACKNOWLEDGED on (there: a handshake's end)
E_TIME_NS = 1
E_CONNECTION = 2
E_FRAME = 3
E_SIDE = 4
E_AMOUNT = 5  # as in mbsniff.wire.rows; a handshake: nanoseconds from SYN to SYN and ACK
E_FROM_NS = 6  # as in mbsniff.wire.rows; a handshake: nanoseconds from SYN and ACK to ACK
EVENT_COLUMNS = 7

OVERTAKEN_NS = 50_000_000  # common practice: time-outs are longer, pipelined requests follow at once
LONGEST_WAIT_NS = 60_000_000_000  # beyond any master's time-out in common practice
MOST_OUTSTANDING = 64  # Messaging on TCP/IP V1.0b, 4.4.2.1 (NumberMaxOfServerTransaction): 1 to 16

# Columns of the network table: what frames beside Modbus say. -1 where there is none.
N_KIND = 0  # a kind of mbsniff.wire.network.rows
N_TIME_NS = 1
N_FRAME = 2  # ordinal in the recording, from 0
N_MAC = (
    3  # hardware address, as an integer: of the frame's sender; of look-ups: the one that the packet names
)
N_ADDRESS = 4  # row of ``hosts``: who says it (look-ups: whose hardware address is told)
N_TARGET = 5  # row of ``hosts``: who is asked for, or spoken to; the address given; about whom an error is
N_TARGET_MAC = 6  # of whom it is sent to; the client of a lease; the root bridge of a tree
N_HOPS = 7  # time to live, or hop limit, that was left
N_AMOUNT = 8  # by kind: see `Exchange.network`
N_CONNECTION = 9  # ORIGIN: the TCP connection
NETWORK_COLUMNS = 10
