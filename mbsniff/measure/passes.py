"""The measuring loops: transaction columns in a device's or an endpoint's time order in, counts and lengths out.

Indices are masked (`INDEX`), which spares the compiler the question whether they count from the end.
"""

from __future__ import annotations

from mbsniff.compiled import helper, kernel
from mbsniff.exchange.columns import ANSWERED, LATE, MISADDRESSED, ORPHAN, STATUS_MASK
from mbsniff.wire.load import INDEX, Columns

Narrow = memoryview  # of narrower integers uncompiled; compiled: an NDArray of the same

SHIFTS_PER_REPLY = 4  # replies that overtook others are put in order by insertion, as long as that is cheap


@helper
def was_answered(marks: int) -> bool:
    """Whether a transaction's status counts as answered."""
    return ANSWERED <= marks & STATUS_MASK <= LATE


@kernel
def take_transactions(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    counts: Columns, exceptions: Columns, before_ns: Columns, places: Columns, replies: Columns,
    intervals: Columns,
) -> int:  # fmt: skip
    """A device's counts by status byte and by exception code, its reply times and intervals; how many replies.

    Each poll's intervals go to its own stretch of ``intervals``, from places[poll] on; the first entry means
    nothing, since its first request has none before. ``before_ns`` and ``places`` are changed.
    """
    answered = 0
    for k in range(len(order)):
        t = order[k] & INDEX
        p = poll[t] & INDEX
        marks = status[t] & 0xFF
        counts[marks] += 1
        exceptions[exception[t] & 0xFF] += 1
        if was_answered(marks):
            replies[answered & INDEX] = reply_ns[t] if reply_ns[t] > 0 else 0
            answered += 1
        now_ns = request_ns[t]
        place = places[p] & INDEX
        intervals[place] = now_ns - before_ns[p]
        places[p] = place + 1
        before_ns[p] = now_ns
    return answered


@kernel
def gather_services(
    order: Narrow, request_ns: Columns, reply_ns: Columns, reply_frame: Narrow, poll: Narrow, status: Narrow,
    device_of_poll: Columns, first_device: int, replied: Columns, places: Columns, lengths: Columns,
) -> int:  # fmt: skip
    """Service times of an endpoint's answered requests, each device's in its own stretch of ``lengths``.

    ``order`` is that of the whole endpoint, since its previous reply may have been another unit's.
    places[device - first_device] says where in ``lengths`` the next one goes; ``replied`` has room for all
    transactions that got a reply, and has them in the order of the replies afterwards. How many those are;
    -1 where so many overtook others that the caller had better put ``order`` in the order of replies.
    """
    count = _in_order_of_replies(order, reply_frame, status, replied)
    before_ns = -1
    for k in range(count):
        t = replied[k & INDEX] & INDEX
        asked_ns = request_ns[t]
        now_ns = asked_ns + (reply_ns[t] if reply_ns[t] > 0 else 0)
        if was_answered(status[t] & 0xFF):
            device = (device_of_poll[poll[t] & INDEX] - first_device) & INDEX
            length = now_ns - (before_ns if before_ns > asked_ns else asked_ns)
            place = places[device] & INDEX
            lengths[place] = length if length > 0 else 0
            places[device] = place + 1
        before_ns = now_ns
    return count


@helper
def _in_order_of_replies(order: Narrow, reply_frame: Narrow, status: Narrow, replied: Columns) -> int:
    """Put the transactions that got a reply into ``replied``; how many, or -1 where that takes too long."""
    count = 0
    latest = -1
    shifts = SHIFTS_PER_REPLY * len(order)
    for k in range(len(order)):
        t = order[k] & INDEX
        kind = status[t] & STATUS_MASK
        if not was_answered(kind) and kind != MISADDRESSED and kind != ORPHAN:
            continue
        frame = reply_frame[t] & 0xFFFFFFFF
        place = count & INDEX
        if frame >= latest:
            latest = frame
        else:
            while place > 0 and reply_frame[replied[place - 1] & INDEX] & 0xFFFFFFFF > frame:
                replied[place] = replied[place - 1]
                place -= 1
                shifts -= 1
            if shifts < 0:
                return -1
        replied[place & INDEX] = t
        count += 1
    return count
