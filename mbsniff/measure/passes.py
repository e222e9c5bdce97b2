"""The measuring loops: transaction columns in a device's time order in, counts, silences and lengths out."""

from __future__ import annotations

from mbsniff.compiled import helper, kernel
from mbsniff.exchange.columns import (
    ANSWERED,
    CHANGED,
    LATE,
    MISADDRESSED,
    ORPHAN,
    RESENT,
    SENT_AGAIN,
    STATUS_MASK,
)
from mbsniff.wire.load import Columns

Narrow = memoryview  # of narrower integers uncompiled; compiled: an NDArray of the same

# What `count_device` fills beside the statuses (0 to 15).
N_RESENT = 16
N_SENT_AGAIN = 17
N_COUNTS = 18

# Columns of a silence: found by `find_silences`, one row each.
S_FROM_NS = 0  # first sighting of the feed before
S_UNTIL_NS = 1  # first sighting of the feed after
S_SHORTEST_NS = 2
S_LONGEST_NS = 3  # -1 where a confirmed feed before or after is not in the recording
S_BEFORE = 4  # transaction of the feed before
S_AFTER = 5  # transaction of the feed after
S_CERTAIN = 6  # 1 where its shortest possible length is beyond the limit, 0 where only the longest is
SILENCE_COLUMNS = 7

# What a transaction is to the watchdog.
NO_FEED = 0
FEED = 1
CONFIRMED = 2

# Registers of `find_silences`.
R_FEEDS = 0
R_FIRST_NS = 1  # first sighting of the first feed
R_LAST_NS = 2  # first sighting of the last feed
R_LATEST_NS = 3  # the latest delivery of any feed
R_LAST_ROW = 4
R_CONFIRMED_NS = 5  # first sighting of the last confirmed feed, -1 where none
R_CERTAIN = 6  # silences beyond the limit for certain
R_POSSIBLE = 7  # silences beyond it only as the longest possible
R_LISTED = 8  # rows of the silence table filled
R_CONFIRMED_ROW = 9
R_CERTAIN_SINCE = 10  # silences beyond the limit for certain since the last confirmed feed
R_COLUMNS = 11

BEYOND_GATEWAY = 0x0A  # exceptions 0A and 0B come from the gateway, not from the unit behind it


@kernel
def count_device(
    order: Narrow, status: Narrow, exception: Narrow, counts: Columns, exceptions: Columns
) -> int:
    """Transactions by status, marks and exception code."""
    for k in range(len(order)):
        t = order[k]
        marks = status[t] & 0xFF
        counts[marks & STATUS_MASK] += 1
        if marks & RESENT:
            counts[N_RESENT] += 1
        if marks & SENT_AGAIN:
            counts[N_SENT_AGAIN] += 1
        exceptions[exception[t] & 0xFF] += 1
    return 0


@helper
def was_answered(marks: int) -> bool:
    """Whether a transaction's status counts as answered."""
    return ANSWERED <= marks & STATUS_MASK <= LATE


@helper
def feed_of(marks: int, code: int, change_only: int, reply_only: int, exceptions_feed: int) -> int:
    """NO_FEED, FEED or CONFIRMED: what a transaction of a feeding poll is to the watchdog."""
    if marks & STATUS_MASK == ORPHAN or (change_only and not marks & CHANGED):
        return NO_FEED
    confirms = code == 0 or (exceptions_feed and not BEYOND_GATEWAY <= code <= BEYOND_GATEWAY + 1)
    if was_answered(marks) and confirms:
        return CONFIRMED
    return NO_FEED if reply_only else FEED


@kernel
def find_confirmations(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    feeds: Columns, change_only: int, reply_only: int, exceptions_feed: int, earliest_ns: Columns,
) -> int:  # fmt: skip
    """earliest_ns: for each place in ``order`` the earliest reply that confirms it or a later one, or -1."""
    soonest = -1
    for k in range(len(order) - 1, -1, -1):
        t = order[k]
        if feeds[poll[t]]:
            marks = status[t] & 0xFF
            if feed_of(marks, exception[t] & 0xFF, change_only, reply_only, exceptions_feed) == CONFIRMED:
                replied_ns = request_ns[t] + reply_ns[t]
                soonest = replied_ns if soonest < 0 or replied_ns < soonest else soonest
        earliest_ns[k] = soonest
    return 0


@kernel
def find_silences(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    feeds: Columns, change_only: int, reply_only: int, exceptions_feed: int, limit_ns: int,
    earliest_ns: Columns, longest: Columns, table: Columns, registers: Columns,
) -> int:  # fmt: skip
    """The longest silence and those beyond ``limit_ns`` (-1: none is) between feeds, in time order.

    ``feeds`` says for each poll whether its requests feed, ``earliest_ns`` is of `find_confirmations`;
    ``longest`` is a row like those of ``table``. Registers are set up by the caller: R_CONFIRMED_NS and
    R_LAST_NS to -1, the others to 0.
    """
    confirmed_latest = -1
    for k in range(len(order)):
        t = order[k]
        if not feeds[poll[t]]:
            continue
        feed = feed_of(status[t] & 0xFF, exception[t] & 0xFF, change_only, reply_only, exceptions_feed)
        if feed == NO_FEED:
            continue
        now_ns = request_ns[t]
        latest_ns = now_ns + reply_ns[t] if reply_ns[t] > 0 else now_ns
        before_ns = registers[R_LAST_NS]
        if registers[R_FEEDS] == 0:
            registers[R_FIRST_NS] = now_ns
        else:
            shortest = now_ns - registers[R_LATEST_NS]
            shortest = shortest if shortest > 0 else 0
            if now_ns - before_ns > longest[0, S_UNTIL_NS] - longest[0, S_FROM_NS]:
                _write(longest, 0, t, now_ns, shortest, earliest_ns[k], registers)
                longest[0, S_CERTAIN] = 1
            if 0 <= limit_ns < shortest:
                registers[R_CERTAIN] += 1
                registers[R_CERTAIN_SINCE] += 1
                if registers[R_LISTED] < len(table):
                    row = registers[R_LISTED]
                    registers[R_LISTED] = row + 1
                    _write(table, row, t, now_ns, shortest, earliest_ns[k], registers)
                    table[row, S_CERTAIN] = 1
        if feed == CONFIRMED:
            last_ns = registers[R_CONFIRMED_NS]
            certain = registers[R_CERTAIN_SINCE] > 0
            if last_ns >= 0 and not certain and 0 <= limit_ns < earliest_ns[k] - last_ns:
                registers[R_POSSIBLE] += 1
                if registers[R_LISTED] < len(table):
                    row = registers[R_LISTED]
                    registers[R_LISTED] = row + 1
                    table[row, S_FROM_NS] = last_ns
                    table[row, S_UNTIL_NS] = now_ns
                    shortest = now_ns - confirmed_latest
                    table[row, S_SHORTEST_NS] = shortest if shortest > 0 else 0
                    table[row, S_LONGEST_NS] = earliest_ns[k] - last_ns
                    table[row, S_BEFORE] = registers[R_CONFIRMED_ROW]
                    table[row, S_AFTER] = t
                    table[row, S_CERTAIN] = 0
            registers[R_CONFIRMED_NS] = now_ns
            registers[R_CONFIRMED_ROW] = t
            confirmed_latest = latest_ns
            registers[R_CERTAIN_SINCE] = 0
        registers[R_FEEDS] += 1
        registers[R_LAST_NS] = now_ns
        if latest_ns > registers[R_LATEST_NS]:
            registers[R_LATEST_NS] = latest_ns
        registers[R_LAST_ROW] = t
    return 0


@helper
def _write(
    table: Columns, row: int, t: int, now_ns: int, shortest: int, confirmed_ns: int, registers: Columns
) -> None:
    """A silence that ends with transaction ``t``; fed for certain by ``confirmed_ns`` (-1: never)."""
    table[row, S_FROM_NS] = registers[R_LAST_NS]
    table[row, S_UNTIL_NS] = now_ns
    table[row, S_SHORTEST_NS] = shortest
    table[row, S_LONGEST_NS] = -1
    if registers[R_CONFIRMED_NS] >= 0 and confirmed_ns >= 0:
        table[row, S_LONGEST_NS] = confirmed_ns - registers[R_CONFIRMED_NS]
    table[row, S_BEFORE] = registers[R_LAST_ROW]
    table[row, S_AFTER] = t


@kernel
def gather_times(
    order: Narrow, request_ns: Columns, poll: Narrow, status: Narrow, chosen: Columns, times: Columns
) -> int:
    """When the chosen polls were asked, in time order, into ``times``; how many."""
    count = 0
    for k in range(len(order)):
        t = order[k]
        if chosen[poll[t]] and status[t] & STATUS_MASK != ORPHAN:
            times[count] = request_ns[t]
            count += 1
    return count


@kernel
def busiest_window(times: Columns, width_ns: int, found: Columns) -> int:
    """found: the most of ``times`` (ascending) in any window [t, t + width), and its t (-1: none)."""
    first = 0
    found[0] = 0
    found[1] = -1
    for last in range(len(times)):
        while times[first] <= times[last] - width_ns:
            first += 1
        if last - first >= found[0]:
            found[0] = last - first + 1
            found[1] = times[first]
    return 0


@kernel
def gather_replies(
    order: Narrow, reply_ns: Columns, status: Narrow, lengths: Columns
) -> int:  # fmt: skip
    """Reply times of the answered requests into ``lengths``; how many."""
    count = 0
    for k in range(len(order)):
        t = order[k]
        if was_answered(status[t] & 0xFF):
            lengths[count] = reply_ns[t] if reply_ns[t] > 0 else 0
            count += 1
    return count


@kernel
def gather_services(
    order: Narrow, request_ns: Columns, reply_ns: Columns, reply_frame: Narrow, poll: Narrow, status: Narrow,
    group_of_poll: Columns, group: int, lengths: Columns,
) -> int:  # fmt: skip
    """Service times of the group's answered requests into ``lengths``; how many, -1 where replies overtook.

    ``order`` is that of the whole endpoint, since its previous reply may have been another unit's.
    """
    count = 0
    replied_ns = -1
    replied_frame = -1
    for k in range(len(order)):
        t = order[k]
        answered = was_answered(status[t] & 0xFF)
        if not answered and status[t] & STATUS_MASK != MISADDRESSED and status[t] & STATUS_MASK != ORPHAN:
            continue
        now_ns = request_ns[t] + (reply_ns[t] if reply_ns[t] > 0 else 0)
        if reply_frame[t] & 0xFFFFFFFF < replied_frame:
            return -1
        if answered and group_of_poll[poll[t]] == group:
            length = now_ns - (replied_ns if replied_ns > request_ns[t] else request_ns[t])
            lengths[count] = length if length > 0 else 0
            count += 1
        replied_ns = now_ns
        replied_frame = reply_frame[t] & 0xFFFFFFFF
    return count


@kernel
def gather_intervals(
    order: Narrow, request_ns: Columns, poll: Narrow, before_ns: Columns, places: Columns, lengths: Columns
) -> int:
    """Each poll's intervals between requests into its own stretch of ``lengths``, from places[poll] on.

    ``before_ns`` starts at -1; both it and ``places`` are changed.
    """
    for k in range(len(order)):
        t = order[k]
        p = poll[t]
        if before_ns[p] >= 0:
            lengths[places[p]] = request_ns[t] - before_ns[p]
            places[p] += 1
        before_ns[p] = request_ns[t]
    return 0


@kernel
def longest_by_master(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, feeds: Columns,
    master_of_poll: Columns, limit_ns: int, longest: Columns, last: Columns,
) -> int:  # fmt: skip
    """Silences of each master alone: a row of ``longest`` each, S_CERTAIN counts those beyond the limit.

    ``last`` has a row a master: its last request's sighting (-1 at first), latest delivery, transaction.
    """
    for k in range(len(order)):
        t = order[k]
        marks = status[t] & 0xFF
        if not feeds[poll[t]] or marks & STATUS_MASK == ORPHAN:
            continue
        m = master_of_poll[poll[t]]
        now_ns = request_ns[t]
        if last[m, 0] >= 0:
            shortest = now_ns - last[m, 1]
            shortest = shortest if shortest > 0 else 0
            if 0 <= limit_ns < shortest:
                longest[m, S_CERTAIN] += 1
            if now_ns - last[m, 0] > longest[m, S_UNTIL_NS] - longest[m, S_FROM_NS]:
                longest[m, S_FROM_NS] = last[m, 0]
                longest[m, S_UNTIL_NS] = now_ns
                longest[m, S_SHORTEST_NS] = shortest
                longest[m, S_BEFORE] = last[m, 2]
                longest[m, S_AFTER] = t
        last[m, 0] = now_ns
        latest_ns = now_ns + reply_ns[t] if reply_ns[t] > 0 else now_ns
        if latest_ns > last[m, 1]:
            last[m, 1] = latest_ns
        last[m, 2] = t
    return 0
