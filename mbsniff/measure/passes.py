"""The measuring loops: transaction columns in a device's time order in, counts, silences and lengths out."""

from __future__ import annotations

from typing import Any

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

Narrow = Any  # NDArray of int32 or uint8 compiled, memoryview of the same uncompiled

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

# Registers of `find_silences`.
R_FEEDS = 0
R_FIRST_NS = 1  # first sighting of the first feed
R_LAST_NS = 2  # first sighting of the last feed
R_LAST_LATEST_NS = 3  # its latest delivery
R_LAST_ROW = 4
R_CONFIRMED_NS = 5  # first sighting of the last confirmed feed, -1 where none
R_CERTAIN = 6  # silences beyond the limit for certain
R_POSSIBLE = 7  # silences beyond it only as the longest possible
R_LISTED = 8  # rows of the silence table filled
R_CONFIRMED_ROW = 9
R_COLUMNS = 10

BEYOND_GATEWAY = 0x0A  # exceptions 0A and 0B come from the gateway, not from the unit behind it


@kernel
def order_by_group(
    poll: Narrow, group_of_poll: Columns, request_ns: Columns, starts: Columns, order: Narrow,
    latest_ns: Columns, disordered: Columns,
) -> int:  # fmt: skip
    """Counting sort of transactions by group; ``disordered`` marks groups whose times do not ascend."""
    for t in range(len(poll)):
        group = group_of_poll[poll[t]]
        order[starts[group]] = t
        starts[group] += 1
        if request_ns[t] < latest_ns[group]:
            disordered[group] = 1
        latest_ns[group] = request_ns[t]
    return 0


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


@kernel
def find_silences(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    feeds: Columns, change_only: int, reply_only: int, exceptions_feed: int, limit_ns: int,
    longest: Columns, table: Columns, registers: Columns,
) -> int:  # fmt: skip
    """The longest silence and those beyond ``limit_ns`` (-1: none is) between feeds, in time order.

    ``feeds`` says for each poll whether its requests feed; ``longest`` is a row like those of ``table``.
    Registers are set up by the caller: R_CONFIRMED_NS and R_LAST_NS to -1, the others to 0.
    """
    confirmed_latest = -1
    certain_since = 0
    pending = -1  # first listed silence whose longest possible length is not known yet
    for k in range(len(order)):
        t = order[k]
        marks = status[t] & 0xFF
        if not feeds[poll[t]] or marks & STATUS_MASK == ORPHAN or (change_only and not marks & CHANGED):
            continue
        answered = was_answered(marks)
        code = exception[t] & 0xFF
        confirms = answered and (
            code == 0 or (exceptions_feed and not BEYOND_GATEWAY <= code <= BEYOND_GATEWAY + 1)
        )
        if reply_only and not confirms:
            continue
        now_ns = request_ns[t]
        latest_ns = now_ns + reply_ns[t] if reply_ns[t] > 0 else now_ns
        before_ns = registers[R_LAST_NS]
        if registers[R_FEEDS] == 0:
            registers[R_FIRST_NS] = now_ns
        else:
            shortest = now_ns - registers[R_LAST_LATEST_NS]
            shortest = shortest if shortest > 0 else 0
            if now_ns - before_ns > longest[0, S_UNTIL_NS] - longest[0, S_FROM_NS]:
                _write(longest, 0, t, now_ns, shortest, registers)
                longest[0, S_CERTAIN] = 1
            if 0 <= limit_ns < shortest:
                registers[R_CERTAIN] += 1
                certain_since += 1
                if registers[R_LISTED] < len(table):
                    row = registers[R_LISTED]
                    registers[R_LISTED] = row + 1
                    _write(table, row, t, now_ns, shortest, registers)
                    table[row, S_CERTAIN] = 1
                    pending = row if pending < 0 else pending
        if confirms:
            if longest[0, S_LONGEST_NS] < -1:
                longest[0, S_LONGEST_NS] = latest_ns + 2 + longest[0, S_LONGEST_NS]
            while 0 <= pending < registers[R_LISTED]:
                if table[pending, S_LONGEST_NS] < -1:
                    table[pending, S_LONGEST_NS] = latest_ns + 2 + table[pending, S_LONGEST_NS]
                pending += 1
            pending = -1
            last_ns = registers[R_CONFIRMED_NS]
            if last_ns >= 0 and certain_since == 0 and 0 <= limit_ns < latest_ns - last_ns:
                registers[R_POSSIBLE] += 1
                if registers[R_LISTED] < len(table):
                    row = registers[R_LISTED]
                    registers[R_LISTED] = row + 1
                    table[row, S_FROM_NS] = last_ns
                    table[row, S_UNTIL_NS] = now_ns
                    shortest = now_ns - confirmed_latest
                    table[row, S_SHORTEST_NS] = shortest if shortest > 0 else 0
                    table[row, S_LONGEST_NS] = latest_ns - last_ns
                    table[row, S_BEFORE] = registers[R_CONFIRMED_ROW]
                    table[row, S_AFTER] = t
                    table[row, S_CERTAIN] = 0
            registers[R_CONFIRMED_NS] = now_ns
            registers[R_CONFIRMED_ROW] = t
            confirmed_latest = latest_ns
            certain_since = 0
        registers[R_FEEDS] += 1
        registers[R_LAST_NS] = now_ns
        registers[R_LAST_LATEST_NS] = latest_ns
        registers[R_LAST_ROW] = t
    return 0


@helper
def _write(table: Columns, row: int, t: int, now_ns: int, shortest: int, registers: Columns) -> None:
    """A silence that ends with transaction ``t``; S_LONGEST_NS below -1 awaits the next confirmed feed."""
    table[row, S_FROM_NS] = registers[R_LAST_NS]
    table[row, S_UNTIL_NS] = now_ns
    table[row, S_SHORTEST_NS] = shortest
    table[row, S_LONGEST_NS] = -1
    if registers[R_CONFIRMED_NS] >= 0:
        table[row, S_LONGEST_NS] = -2 - registers[R_CONFIRMED_NS]
    table[row, S_BEFORE] = registers[R_LAST_ROW]
    table[row, S_AFTER] = t


@kernel
def busiest_window(
    order: Narrow, request_ns: Columns, poll: Narrow, status: Narrow, chosen: Columns, width_ns: int,
    found: Columns,
) -> int:  # fmt: skip
    """found: the most requests of the chosen polls in any window [t, t + width), and its t (-1: none)."""
    first = 0
    inside = 0
    found[0] = 0
    found[1] = -1
    for k in range(len(order)):
        t = order[k]
        if not chosen[poll[t]] or status[t] & STATUS_MASK == ORPHAN:
            continue
        inside += 1
        while request_ns[order[first]] <= request_ns[t] - width_ns:
            gone = order[first]
            if chosen[poll[gone]] and status[gone] & STATUS_MASK != ORPHAN:
                inside -= 1
            first += 1
        if inside > found[0]:
            while not chosen[poll[order[first]]] or status[order[first]] & STATUS_MASK == ORPHAN:
                first += 1
            found[0] = inside
            found[1] = request_ns[order[first]]
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
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow,
    group_of_poll: Columns, group: int, lengths: Columns,
) -> int:  # fmt: skip
    """Service times of the group's answered requests into ``lengths``; how many, or -1 where replies overtook.

    ``order`` is that of the whole endpoint, since its previous reply may have been another unit's.
    """
    count = 0
    replied_ns = -1
    for k in range(len(order)):
        t = order[k]
        if reply_ns[t] < 0 and status[t] & STATUS_MASK != ORPHAN:
            continue
        answered = was_answered(status[t] & 0xFF)
        if not answered and status[t] & STATUS_MASK != MISADDRESSED and status[t] & STATUS_MASK != ORPHAN:
            continue
        now_ns = request_ns[t] + (reply_ns[t] if reply_ns[t] > 0 else 0)
        if now_ns < replied_ns:
            return -1
        if answered and group_of_poll[poll[t]] == group:
            lengths[count] = now_ns - (replied_ns if replied_ns > request_ns[t] else request_ns[t])
            count += 1
        replied_ns = now_ns
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

    ``last`` has a row a master: first sighting and latest delivery of its last request (-1 at first), transaction.
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
        last[m, 1] = now_ns + reply_ns[t] if reply_ns[t] > 0 else now_ns
        last[m, 2] = t
    return 0
