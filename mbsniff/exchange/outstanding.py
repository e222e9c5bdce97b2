"""Requests that wait for their reply: one queue a connection, oldest first, in a shared pool of rows."""

from __future__ import annotations

from mbsniff.compiled import helper
from mbsniff.exchange.columns import (
    LONGEST_WAIT_NS,
    UNANSWERED,
    UNKNOWN,
)
from mbsniff.wire.load import INDEX, Columns
from mbsniff.wire.rows import (
    DETAIL,
    END_SEQUENCE,
    FUNCTION,
    QUANTITY,
    START,
    TIME_NS,
)

Narrow = memoryview  # of narrower integers uncompiled; compiled: an NDArray of the same

# A connection's state: one row of 8 int64.
X_PAIR = 0  # index of (client address, server address, port)
X_FIRST = 1  # oldest outstanding request, -1 where none
X_LAST = 2  # newest outstanding request, -1 where none
X_COUNT = 3
X_IDENTIFIER = (
    4  # transaction identifier of the last request, NO_IDENTIFIER before the first: only order tells
)
X_SYN_NS = 5  # time of the SYN under way, else -1
X_ACCEPTED_NS = 6  # time of the SYN and ACK whose ACK is awaited, else -1
X_POLL = 7  # poll of the last request, -1 before the first
CONNECTION_COLUMNS = 8

# An outstanding request: one row.
O_NEXT = 0  # the next newer one, or the next free row
O_KEY = 1  # transaction identifier << 16 | unit << 8 | function
O_ROW = 2  # its transaction
O_TIME_NS = 3
O_MARKS = 4
O_WANT = 5  # byte count or echoed start that its reply must have, -1 where anything fits
O_WANT_QUANTITY = 6  # echoed quantity, -1 where anything fits
O_END = 7  # TCP sequence number after its last byte
O_SENT_NS = 8  # when TCP was last seen sending its last byte
OUTSTANDING_COLUMNS = 9

PASSED_AT_ONCE = 1  # bits of O_MARKS
GIVEN_UP = 2
REPLY_BYTES_LOST = 4
SAME_IDENTIFIER = 8

# Scalars carried.
T_ROW = 0  # next message row
T_TRANSACTIONS = 1
T_POLLS = 2
T_EVENTS = 3
T_FREE = 4  # first free row for an outstanding request
T_FREE_LEFT = 5
T_VALUES = 6  # entries of the written-value table
T_VALUE_BYTES = 7  # bytes of written data kept
T_COLUMNS = 8

DONE = 0
GROW_TRANSACTIONS = 1
GROW_POLLS = 2
GROW_EVENTS = 3
GROW_OUTSTANDING = 4
GROW_VALUES = 5

NO_ACK = -1
LONGEST_ACK_NS = (1 << 31) - 1


@helper
def add_outstanding(
    rows: Columns, i: int, c: int, t: int, key: int, marks: int, links: Columns, waiting: Columns,
    carry: Columns,
) -> None:  # fmt: skip
    """Put transaction ``t``, which REQUEST row ``i`` began, at the end of its connection's queue."""
    o = carry[T_FREE] & INDEX
    carry[T_FREE] = waiting[o, O_NEXT]
    carry[T_FREE_LEFT] -= 1
    waiting[o, O_NEXT] = -1
    waiting[o, O_KEY] = key
    waiting[o, O_ROW] = t
    waiting[o, O_TIME_NS] = rows[i, TIME_NS]
    waiting[o, O_SENT_NS] = rows[i, TIME_NS]
    waiting[o, O_MARKS] = marks
    waiting[o, O_END] = rows[i, END_SEQUENCE]
    function = rows[i, FUNCTION]
    want = -1
    want_quantity = -1
    if rows[i, QUANTITY] < 0:
        pass  # malformed, or cut short by the recorder: any reply may be its own
    elif function == 3 or function == 4 or function == 23:
        want = rows[i, QUANTITY] * 2
    elif function == 1 or function == 2:
        want = (rows[i, QUANTITY] + 7) // 8
    elif function == 5 or function == 6 or function == 15 or function == 16 or function == 22:
        want = rows[i, START]
        want_quantity = rows[i, QUANTITY]
    waiting[o, O_WANT] = want
    waiting[o, O_WANT_QUANTITY] = want_quantity
    if links[c, X_FIRST] < 0:
        links[c, X_FIRST] = o
    else:
        waiting[links[c, X_LAST], O_NEXT] = o
    links[c, X_LAST] = o
    links[c, X_COUNT] += 1


@helper
def fits(rows: Columns, i: int, o: int, waiting: Columns) -> bool:
    """Whether a reply has the byte count, or echoes the address and quantity, that the request asks for."""
    want = waiting[o, O_WANT]
    function = rows[i, FUNCTION]
    if want < 0 or function >= 0x80:
        return True
    if waiting[o, O_WANT_QUANTITY] < 0:
        return rows[i, DETAIL] == want or rows[i, DETAIL] < 0
    if rows[i, START] < 0:
        return True
    return rows[i, START] == want and rows[i, QUANTITY] == waiting[o, O_WANT_QUANTITY]


@helper
def unlink(c: int, o: int, previous: int, links: Columns, waiting: Columns, carry: Columns) -> None:
    """Take ``o`` out of its queue, where ``previous`` (-1: none) stands before it."""
    following = waiting[o, O_NEXT]
    if previous < 0:
        links[c, X_FIRST] = following
    else:
        waiting[previous, O_NEXT] = following
    if following < 0:
        links[c, X_LAST] = previous
    links[c, X_COUNT] -= 1
    waiting[o, O_NEXT] = carry[T_FREE]
    carry[T_FREE] = o
    carry[T_FREE_LEFT] += 1


@helper
def close(o: int, waiting: Columns, reply_ns: Columns, status: Narrow) -> None:
    """No reply came: reply_ns keeps how long after the request its bytes were last seen on the wire."""
    t = waiting[o, O_ROW]
    lost = waiting[o, O_MARKS] & REPLY_BYTES_LOST
    status[t] = (status[t] & 0xF0) | (UNKNOWN if lost else UNANSWERED)
    reply_ns[t] = waiting[o, O_SENT_NS] - waiting[o, O_TIME_NS]


@helper
def close_all(
    c: int, links: Columns, waiting: Columns, reply_ns: Columns, status: Narrow, carry: Columns
) -> None:
    """Every outstanding request of the connection stays without a reply."""
    while links[c, X_FIRST] >= 0:
        o = links[c, X_FIRST]
        close(o, waiting, reply_ns, status)
        unlink(c, o, -1, links, waiting, carry)


@helper
def mark_all(c: int, mark: int, now_ns: int, links: Columns, waiting: Columns) -> None:
    """Mark every request of the connection that still waits."""
    o = links[c, X_FIRST]
    while o >= 0:
        if now_ns - waiting[o, O_TIME_NS] <= LONGEST_WAIT_NS:
            waiting[o, O_MARKS] |= mark
        o = waiting[o, O_NEXT]
