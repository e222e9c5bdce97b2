"""A REQUEST row in, a transaction begun and a place in the queue out; what it does to older requests."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.exchange.changes import same_bytes
from mbsniff.exchange.columns import (
    LONGEST_WAIT_NS,
    MOST_OUTSTANDING,
    NOT_THE_SHAPE,
    OPEN,
    OVERTAKEN_NS,
    P_COUNT,
    P_FIRST_NS,
    P_LAST_NS,
    P_NEXT,
    P_READ,
    P_VALUE,
    P_WHO,
    P_WRITE,
    RESENT,
)
from mbsniff.exchange.outstanding import (
    GIVEN_UP,
    NO_ACK,
    O_KEY,
    O_MARKS,
    O_NEXT,
    O_ROW,
    O_TIME_NS,
    PASSED_AT_ONCE,
    SAME_IDENTIFIER,
    T_POLLS,
    T_TRANSACTIONS,
    T_VALUE_BYTES,
    T_VALUES,
    X_COUNT,
    X_FIRST,
    X_IDENTIFIER,
    X_LAST,
    X_PAIR,
    X_POLL,
    Narrow,
    add_outstanding,
    close,
    unlink,
)
from mbsniff.exchange.polls import poll_index
from mbsniff.wire.connections import FULL
from mbsniff.wire.load import INDEX, Bytes, Columns
from mbsniff.wire.rows import (
    FRAME,
    FUNCTION,
    IDENTIFIER,
    MALFORMED,
    QUANTITY,
    SHAPE,
    START,
    TIME_NS,
    UNIT,
    VALUE,
    VALUE_BYTES,
    WRITE_QUANTITY,
    WRITE_START,
)


@helper
def request_poll(
    rows: Columns, i: int, c: int, links: Columns, polls: Columns, slots: Columns, multipliers: Columns,
    carry: Columns,
) -> int:  # fmt: skip
    """Index of the poll that a REQUEST row belongs to, or FULL."""
    function = rows[i, FUNCTION]
    who = links[c, X_PAIR] << 16 | rows[i, UNIT] << 8 | function
    read = (rows[i, START] + 2) << 17 | (rows[i, QUANTITY] + 1)
    write = 0
    if function == 23:
        write = (rows[i, WRITE_START] + 2) << 17 | (rows[i, WRITE_QUANTITY] + 1)
    before = links[c, X_POLL]
    if before >= 0:  # masters go round: most often the same poll follows as last time
        p = polls[before & INDEX, P_NEXT] & INDEX
        if polls[p, P_WHO] == who and polls[p, P_READ] == read and polls[p, P_WRITE] == write:
            links[c, X_POLL] = p
            return p
    p = poll_index(who, read, write, carry[T_POLLS], polls, slots, multipliers)
    if p == FULL:
        return FULL
    if p == carry[T_POLLS]:
        carry[T_POLLS] += 1
        polls[p, P_FIRST_NS] = rows[i, TIME_NS]
    if before >= 0:
        polls[before, P_NEXT] = p
    links[c, X_POLL] = p
    return p


@helper
def take_request(
    rows: Columns, i: int, c: int, p: int, data: Bytes, links: Columns, waiting: Columns, polls: Columns,
    value_table: Columns, value_bytes: Bytes, request_ns: Columns, reply_ns: Columns, ack_ns: Narrow,
    poll: Narrow, status: Narrow, exception: Narrow, request_frame: Narrow, reply_frame: Narrow,
    value: Narrow, carry: Columns,
) -> None:  # fmt: skip
    """Begin the transaction of REQUEST row ``i``, and do what it does to older ones (rules 1, 2 and 4)."""
    now_ns = rows[i, TIME_NS]
    key = rows[i, IDENTIFIER] << 16 | rows[i, UNIT] << 8 | rows[i, FUNCTION]
    before = -1
    if links[c, X_FIRST] >= 0:
        before = _overtake(c, now_ns, key, p, links, waiting, reply_ns, poll, status, carry)
    entry = -1
    if rows[i, VALUE] >= 0:
        entry = _value_entry(rows, i, p, data, polls, value_table, value_bytes, carry)
        polls[p, P_VALUE] = entry
    marks = NOT_THE_SHAPE if rows[i, SHAPE] == MALFORMED else 0
    if before >= 0 and _same_value(value[before], entry, rows[i, VALUE_BYTES], value_table, value_bytes):
        marks |= RESENT
    t = new_transaction(
        rows, i, p, OPEN | marks, entry, polls, request_ns, reply_ns, ack_ns, poll, status, exception,
        request_frame, reply_frame, value, carry,
    )  # fmt: skip
    same = SAME_IDENTIFIER if rows[i, IDENTIFIER] == links[c, X_IDENTIFIER] else 0
    links[c, X_IDENTIFIER] = rows[i, IDENTIFIER]
    add_outstanding(rows, i, c, t, key, same, links, waiting, carry)


@helper
def new_transaction(
    rows: Columns, i: int, p: int, begins_as: int, entry: int, polls: Columns, request_ns: Columns,
    reply_ns: Columns, ack_ns: Narrow, poll: Narrow, status: Narrow, exception: Narrow,
    request_frame: Narrow, reply_frame: Narrow, value: Narrow, carry: Columns,
) -> int:  # fmt: skip
    """Fill a row of the transaction columns, with status and marks ``begins_as`` and the written value; its index."""
    t = carry[T_TRANSACTIONS] & INDEX
    carry[T_TRANSACTIONS] = t + 1
    now_ns = rows[i, TIME_NS]
    request_ns[t] = now_ns
    reply_ns[t] = -1
    ack_ns[t] = NO_ACK
    poll[t] = p & 0x7FFFFFFF
    status[t] = begins_as
    exception[t] = 0
    request_frame[t] = rows[i, FRAME] & 0xFFFFFFFF
    reply_frame[t] = rows[i, FRAME] & 0xFFFFFFFF
    value[t] = entry
    polls[p, P_COUNT] += 1
    if now_ns > polls[p, P_LAST_NS]:
        polls[p, P_LAST_NS] = now_ns
    if now_ns < polls[p, P_FIRST_NS]:
        polls[p, P_FIRST_NS] = now_ns
    return t


@rare
def _overtake(
    c: int, now_ns: int, key: int, p: int, links: Columns, waiting: Columns, reply_ns: Columns, poll: Narrow,
    status: Narrow, carry: Columns,
) -> int:  # fmt: skip
    """What a new request does to those outstanding; the newest of the same key and poll, or -1."""
    newest = links[c, X_LAST]
    before = -1
    if not waiting[newest, O_MARKS] & (PASSED_AT_ONCE | GIVEN_UP):
        at_once = now_ns - waiting[newest, O_TIME_NS] < OVERTAKEN_NS
        waiting[newest, O_MARKS] |= PASSED_AT_ONCE if at_once else GIVEN_UP
    previous = -1
    o = links[c, X_FIRST]
    while o >= 0:
        following = waiting[o, O_NEXT]
        given_up = waiting[o, O_MARKS] & GIVEN_UP
        waits = now_ns - waiting[o, O_TIME_NS] <= LONGEST_WAIT_NS
        same_key = waiting[o, O_KEY] == key
        if waits and same_key and (poll[waiting[o, O_ROW]] & 0x7FFFFFFF) == p:
            before = waiting[o, O_ROW]
        if not waits or (given_up and same_key):
            close(o, waiting, reply_ns, status)
            unlink(c, o, previous, links, waiting, carry)
        else:
            previous = o
        o = following
    if links[c, X_COUNT] >= MOST_OUTSTANDING:
        o = links[c, X_FIRST]
        close(o, waiting, reply_ns, status)
        unlink(c, o, -1, links, waiting, carry)
    return before


@rare
def _same_value(one: int, other: int, count: int, value_table: Columns, value_bytes: Bytes) -> bool:
    """Whether two requests of a poll, the newer of which writes ``count`` bytes, write the same."""
    if one == other or one < 0 or other < 0 or count == 0:
        return one == other
    return same_bytes(one, other, value_table, value_bytes)


@rare
def _value_entry(
    rows: Columns, i: int, p: int, data: Bytes, polls: Columns, value_table: Columns, value_bytes: Bytes,
    carry: Columns,
) -> int:  # fmt: skip
    """The value itself (5, 6), or its bytes' entry in the value table: the last one if it is the same."""
    count = rows[i, VALUE_BYTES]
    at = rows[i, VALUE]
    if count == 0:
        return at
    last = polls[p, P_VALUE]
    if last >= 0 and value_table[last, 1] == count:
        begin = value_table[last, 0]
        same = 0
        while same < count and value_bytes[begin + same] == data[at + same]:
            same += 1
        if same == count:
            return last
    entry = carry[T_VALUES]
    begin = carry[T_VALUE_BYTES]
    value_table[entry, 0] = begin
    value_table[entry, 1] = count
    for k in range(count):
        value_bytes[begin + k] = data[at + k]
    carry[T_VALUES] = entry + 1
    carry[T_VALUE_BYTES] = begin + count
    return entry
