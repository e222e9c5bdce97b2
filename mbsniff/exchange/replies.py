"""A REPLY row in, the transaction that it ends out (rule 3 of the definitions in DEVELOPERS.md)."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.exchange.columns import (
    ANSWERED,
    BY_ORDER,
    LATE,
    LONGEST_WAIT_NS,
    MISADDRESSED,
    NO_ADDRESS,
    NO_CODE,
    NOT_THE_SHAPE,
    ORPHAN,
    ORPHAN_START,
    P_ANSWERED,
    P_FIRST_NS,
    PIPELINED,
)
from mbsniff.exchange.outstanding import (
    GIVEN_UP,
    O_KEY,
    O_MARKS,
    O_NEXT,
    O_ROW,
    O_TIME_NS,
    PASSED_AT_ONCE,
    SAME_IDENTIFIER,
    T_POLLS,
    X_FIRST,
    X_PAIR,
    Narrow,
    close,
    fits,
    unlink,
)
from mbsniff.exchange.polls import poll_index
from mbsniff.exchange.requests import new_transaction
from mbsniff.wire.load import INDEX, Columns
from mbsniff.wire.rows import (
    DETAIL,
    FITS,
    FRAME,
    FUNCTION,
    IDENTIFIER,
    MALFORMED,
    SHAPE,
    TIME_NS,
    UNIT,
)


@helper
def orphan_poll(
    rows: Columns, i: int, c: int, links: Columns, polls: Columns, slots: Columns, multipliers: Columns,
    carry: Columns,
) -> int:  # fmt: skip
    """Index of the row that collects a device's replies without requests, or FULL."""
    who = links[c, X_PAIR] << 16 | rows[i, UNIT] << 8 | (rows[i, FUNCTION] & 0x7F)
    read = (ORPHAN_START + 2) << 17 | (NO_ADDRESS + 1)
    p = poll_index(who, read, 0, carry[T_POLLS], polls, slots, multipliers)
    if p == carry[T_POLLS]:
        carry[T_POLLS] += 1
        polls[p, P_FIRST_NS] = rows[i, TIME_NS]
    return p


@helper
def find_request(
    rows: Columns, i: int, c: int, links: Columns, waiting: Columns, reply_ns: Columns, status: Narrow,
    carry: Columns,
) -> tuple[int, int, bool]:  # fmt: skip
    """(the outstanding request that a reply belongs to or -1, ANSWERED, MISADDRESSED or ORPHAN, whether it fits)."""
    key = rows[i, IDENTIFIER] << 16 | rows[i, UNIT] << 8 | (rows[i, FUNCTION] & 0x7F)
    o = links[c, X_FIRST]
    if o < 0:
        return -1, ORPHAN, False
    now_ns = rows[i, TIME_NS]
    if (
        waiting[o, O_KEY] == key
        and now_ns - waiting[o, O_TIME_NS] <= LONGEST_WAIT_NS
        and fits(rows, i, o, waiting)
    ):
        return o, ANSWERED, True
    return _search_request(rows, i, c, key, links, waiting, reply_ns, status, carry)


@rare
def _search_request(
    rows: Columns, i: int, c: int, key: int, links: Columns, waiting: Columns, reply_ns: Columns,
    status: Narrow, carry: Columns,
) -> tuple[int, int, bool]:  # fmt: skip
    now_ns = rows[i, TIME_NS]
    same = -1
    other_unit = -1
    previous = -1
    o = links[c, X_FIRST]
    while o >= 0:
        following = waiting[o, O_NEXT]
        if now_ns - waiting[o, O_TIME_NS] > LONGEST_WAIT_NS:
            close(o, waiting, reply_ns, status)
            unlink(c, o, previous, links, waiting, carry)
        else:
            if waiting[o, O_KEY] == key:
                if fits(rows, i, o, waiting):
                    return o, ANSWERED, True
                if same < 0:
                    same = o
            elif other_unit < 0 and waiting[o, O_KEY] & 0xFFFF00FF == key & 0xFFFF00FF:
                other_unit = o
            previous = o
        o = following
    if same >= 0:
        return same, ANSWERED, False
    if other_unit >= 0:
        return other_unit, MISADDRESSED, fits(rows, i, other_unit, waiting)
    return -1, ORPHAN, False


@helper
def take_reply(
    rows: Columns, i: int, c: int, o: int, how: int, fit: bool, links: Columns, waiting: Columns,
    polls: Columns, reply_ns: Columns, status: Narrow, exception: Narrow, reply_frame: Narrow, poll: Narrow,
    carry: Columns,
) -> None:  # fmt: skip
    """End the transaction of outstanding request ``o`` with REPLY row ``i``."""
    t = waiting[o, O_ROW] & INDEX
    marks = waiting[o, O_MARKS]
    if how == ANSWERED:
        if marks & GIVEN_UP:
            how = LATE
        elif marks & PASSED_AT_ONCE:
            how = PIPELINED
        elif marks & SAME_IDENTIFIER:
            how = BY_ORDER
        polls[poll[t] & 0x7FFFFFFF, P_ANSWERED] += 1
    beside = status[t] & 0xF0
    if rows[i, SHAPE] == MALFORMED or (rows[i, SHAPE] == FITS and not fit):
        beside |= NOT_THE_SHAPE
    status[t] = beside | how
    if how != MISADDRESSED:
        exception[t] = _code(rows, i)
    waited = rows[i, TIME_NS] - waiting[o, O_TIME_NS]
    reply_ns[t] = waited if waited > 0 else 0  # the recorder may have swapped them, or its clock stepped back
    reply_frame[t] = rows[i, FRAME] & 0xFFFFFFFF
    previous = -1
    at = links[c, X_FIRST]
    while at != o and at >= 0:
        previous = at
        at = waiting[at, O_NEXT]
    unlink(c, o, previous, links, waiting, carry)


@helper
def take_orphan(
    rows: Columns, i: int, p: int, polls: Columns, request_ns: Columns, reply_ns: Columns, ack_ns: Narrow,
    poll: Narrow, status: Narrow, exception: Narrow, request_frame: Narrow, reply_frame: Narrow,
    value: Narrow, carry: Columns,
) -> None:  # fmt: skip
    """Note a reply without a request as a transaction of its own."""
    new_transaction(
        rows, i, p, ORPHAN, -1, polls, request_ns, reply_ns, ack_ns, poll, status, exception, request_frame,
        reply_frame, value, carry,
    )  # fmt: skip


@helper
def _code(rows: Columns, i: int) -> int:
    """Exception code of a reply, 0 of a normal one."""
    if rows[i, FUNCTION] < 0x80:
        return 0
    return rows[i, DETAIL] & 0xFF if rows[i, DETAIL] > 0 else NO_CODE
