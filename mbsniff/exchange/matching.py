"""The exchange loop: message rows in, transactions, polls and events out, by the rules in DEVELOPERS.md."""

from __future__ import annotations

from mbsniff.compiled import helper, kernel
from mbsniff.exchange.columns import (
    LONGEST_WAIT_NS,
)
from mbsniff.exchange.links import take_acknowledgement, take_event
from mbsniff.exchange.outstanding import (
    DONE,
    GIVEN_UP,
    GROW_EVENTS,
    GROW_OUTSTANDING,
    GROW_POLLS,
    GROW_TRANSACTIONS,
    GROW_VALUES,
    O_MARKS,
    O_NEXT,
    O_ROW,
    O_SENT_NS,
    O_TIME_NS,
    T_EVENTS,
    T_FREE_LEFT,
    T_ROW,
    T_TRANSACTIONS,
    T_VALUE_BYTES,
    T_VALUES,
    X_FIRST,
    Narrow,
    close,
)
from mbsniff.exchange.replies import find_request, orphan_poll, take_orphan, take_reply
from mbsniff.exchange.requests import request_poll, take_request
from mbsniff.wire.connections import FULL
from mbsniff.wire.load import INDEX, Bytes, Columns
from mbsniff.wire.rows import (
    ACKNOWLEDGED,
    CONNECTION,
    KIND,
    REPLY,
    REQUEST,
    SERVER,
    SIDE,
)


@kernel
def match_rows(
    rows: Columns, data: Bytes, links: Columns, waiting: Columns, polls: Columns, slots: Columns,
    multipliers: Columns, value_table: Columns, value_bytes: Bytes, events: Columns,
    request_ns: Columns, reply_ns: Columns, ack_ns: Narrow, poll: Narrow, status: Narrow, exception: Narrow,
    request_frame: Narrow, reply_frame: Narrow, value: Narrow, carry: Columns,
) -> int:  # fmt: skip
    """Go through message rows from carry[T_ROW] on; DONE, or which table must grow first."""
    i = carry[T_ROW] & INDEX
    count = len(rows)
    settled = i  # up to where there is room, whatever the rows are
    while i < count:
        if i == settled:
            carry[T_ROW] = i
            if carry[T_TRANSACTIONS] >= len(request_ns):
                return GROW_TRANSACTIONS
            if carry[T_EVENTS] >= len(events):
                return GROW_EVENTS
            if carry[T_FREE_LEFT] < 1:
                return GROW_OUTSTANDING
            settled = i + _room(len(request_ns), len(events), carry)
        kind = rows[i, KIND]
        c = rows[i, CONNECTION] & INDEX
        if kind == REQUEST:
            p = request_poll(rows, i, c, links, polls, slots, multipliers, carry)
            if p == FULL:
                carry[T_ROW] = i
                return GROW_POLLS
            if carry[T_VALUES] >= len(value_table) or carry[T_VALUE_BYTES] + 256 > len(value_bytes):
                carry[T_ROW] = i
                return GROW_VALUES
            take_request(
                rows, i, c, p & INDEX, data, links, waiting, polls, value_table, value_bytes,
                request_ns, reply_ns, ack_ns, poll, status, exception, request_frame, reply_frame, value,
                carry,
            )  # fmt: skip
        elif kind == REPLY:
            o, how, fit = find_request(rows, i, c, links, waiting, reply_ns, status, carry)
            if o >= 0:
                take_reply(
                    rows, i, c, o, how, fit, links, waiting, polls, reply_ns, status, exception, reply_frame,
                    poll, carry,
                )  # fmt: skip
            else:
                p = orphan_poll(rows, i, c, links, polls, slots, multipliers, carry)
                if p == FULL:
                    carry[T_ROW] = i
                    return GROW_POLLS
                take_orphan(
                    rows, i, p & INDEX, polls, request_ns, reply_ns, ack_ns, poll, status, exception,
                    request_frame, reply_frame, value, carry,
                )  # fmt: skip
        elif kind == ACKNOWLEDGED and rows[i, SIDE] == SERVER:
            take_acknowledgement(rows, i, c, links, waiting, ack_ns)
        else:
            take_event(rows, i, c, links, waiting, events, reply_ns, status, carry)
        i = (i + 1) & INDEX
    carry[T_ROW] = i
    return DONE


@helper
def _room(most_transactions: int, most_events: int, carry: Columns) -> int:
    """How many rows can be taken without a look: none adds more than one transaction, event or place in a queue."""
    room = carry[T_FREE_LEFT]
    if most_transactions - carry[T_TRANSACTIONS] < room:
        room = most_transactions - carry[T_TRANSACTIONS]
    if most_events - carry[T_EVENTS] < room:
        room = most_events - carry[T_EVENTS]
    return room


@kernel
def settle_outstanding(
    connections: int, end_ns: int, links: Columns, waiting: Columns, reply_ns: Columns, status: Narrow,
    carry: Columns,
) -> int:  # fmt: skip
    """At the end of the recording: what is outstanding is open, or unanswered where nobody waits any more."""
    for c in range(connections):
        o = links[c, X_FIRST]
        while o >= 0:
            late = end_ns - waiting[o, O_TIME_NS] > LONGEST_WAIT_NS
            if late or waiting[o, O_MARKS] & GIVEN_UP:
                close(o, waiting, reply_ns, status)
            else:
                reply_ns[waiting[o, O_ROW]] = waiting[o, O_SENT_NS] - waiting[o, O_TIME_NS]
            o = waiting[o, O_NEXT]
    return DONE
