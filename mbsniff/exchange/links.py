"""Rows of link events in: what they do to outstanding requests, and the event table."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.exchange.columns import (
    E_AMOUNT,
    E_CONNECTION,
    E_FRAME,
    E_FROM_NS,
    E_KIND,
    E_SIDE,
    E_TIME_NS,
    LONGEST_WAIT_NS,
    SENT_AGAIN,
)
from mbsniff.exchange.outstanding import (
    GIVEN_UP,
    LONGEST_ACK_NS,
    NO_ACK,
    O_END,
    O_NEXT,
    O_ROW,
    O_SENT_NS,
    O_TIME_NS,
    REPLY_BYTES_LOST,
    T_EVENTS,
    X_ACCEPTED_NS,
    X_FIRST,
    X_SYN_NS,
    Narrow,
    close_all,
    mark_all,
)
from mbsniff.wire.load import Columns
from mbsniff.wire.rows import (
    ACCEPTED,
    ACKNOWLEDGED,
    AGAIN,
    AMOUNT,
    CLIENT,
    CLOSING,
    FRAME,
    FROM_NS,
    KIND,
    OPENING,
    RESET,
    SEQUENCE,
    SERVER,
    SIDE,
    TIME_NS,
    UNRECORDED,
)
from mbsniff.wire.sequence import ahead


@rare
def take_acknowledgement(
    rows: Columns, i: int, c: int, links: Columns, waiting: Columns, ack_ns: Narrow
) -> None:
    """A bare acknowledgement by the device: its TCP has every outstanding request that ends before it."""
    o = links[c, X_FIRST]
    while o >= 0:
        t = waiting[o, O_ROW]
        if ack_ns[t] == NO_ACK and ahead(rows[i, SEQUENCE], waiting[o, O_END]) >= 0:
            delta = rows[i, TIME_NS] - waiting[o, O_TIME_NS]
            ack_ns[t] = LONGEST_ACK_NS if delta > LONGEST_ACK_NS else (delta if delta > 0 else 0)
        o = waiting[o, O_NEXT]


@rare
def take_event(
    rows: Columns, i: int, c: int, links: Columns, waiting: Columns, events: Columns, reply_ns: Columns,
    status: Narrow, carry: Columns,
) -> None:  # fmt: skip
    """Note a link event, and do what it does to outstanding requests."""
    kind = rows[i, KIND]
    side = rows[i, SIDE]
    now_ns = rows[i, TIME_NS]
    amount = rows[i, AMOUNT]
    from_ns = rows[i, FROM_NS]
    if kind == OPENING or kind == RESET or (kind == CLOSING and side == SERVER):
        if not (kind == OPENING and amount == 1):
            close_all(c, links, waiting, reply_ns, status, carry)
        links[c, X_ACCEPTED_NS] = -1
        links[c, X_SYN_NS] = now_ns if kind == OPENING and side == CLIENT and amount == 0 else -1
    elif kind == ACCEPTED and amount == 0:
        close_all(c, links, waiting, reply_ns, status, carry)
        links[c, X_ACCEPTED_NS] = now_ns if links[c, X_SYN_NS] >= 0 else -1
    elif kind == CLOSING:
        mark_all(c, GIVEN_UP, now_ns, links, waiting)
    elif kind == UNRECORDED and side == SERVER:
        mark_all(c, REPLY_BYTES_LOST, now_ns, links, waiting)
    elif kind == AGAIN and side == CLIENT:
        _seen_again(rows, i, c, links, waiting, status)
    elif kind == ACKNOWLEDGED:
        if links[c, X_ACCEPTED_NS] < 0:
            return
        amount = links[c, X_ACCEPTED_NS] - links[c, X_SYN_NS]
        from_ns = now_ns - links[c, X_ACCEPTED_NS]
        links[c, X_ACCEPTED_NS] = -1
        links[c, X_SYN_NS] = -1
    e = carry[T_EVENTS]
    carry[T_EVENTS] = e + 1
    events[e, E_KIND] = kind
    events[e, E_TIME_NS] = now_ns
    events[e, E_CONNECTION] = c
    events[e, E_FRAME] = rows[i, FRAME]
    events[e, E_SIDE] = side
    events[e, E_AMOUNT] = amount
    events[e, E_FROM_NS] = from_ns


@helper
def _seen_again(rows: Columns, i: int, c: int, links: Columns, waiting: Columns, status: Narrow) -> None:
    """TCP sent bytes again: note it at each outstanding request whose last byte is among them."""
    o = links[c, X_FIRST]
    while o >= 0:
        into = ahead(waiting[o, O_END], rows[i, SEQUENCE])
        waits = rows[i, TIME_NS] - waiting[o, O_TIME_NS] <= LONGEST_WAIT_NS
        if waits and 0 < into <= rows[i, AMOUNT]:
            if rows[i, TIME_NS] > waiting[o, O_SENT_NS]:
                waiting[o, O_SENT_NS] = rows[i, TIME_NS]
            t = waiting[o, O_ROW]
            status[t] = (status[t] & 0xFF) | SENT_AGAIN
        o = waiting[o, O_NEXT]
