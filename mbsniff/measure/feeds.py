"""The loops over what feeds a watchdog: transaction columns in a device's time order in, silences out."""

from __future__ import annotations

from mbsniff.compiled import helper, kernel, rare
from mbsniff.exchange.columns import CHANGED
from mbsniff.measure.passes import Narrow, was_answered
from mbsniff.wire.load import INDEX, Columns

# Columns of a silence: found by `find_silences`, one row each.
S_FROM_NS = 0  # first sighting of the feed before
S_UNTIL_NS = 1  # first sighting of the feed after
S_SHORTEST_NS = 2
S_LONGEST_NS = 3  # -1 where a confirmed feed before or after is not in the recording
S_BEFORE = 4  # transaction of the feed before
S_AFTER = 5  # transaction of the feed after
S_CERTAIN = 6  # 1 where its shortest possible length is beyond the limit, 0 where only the longest is
SILENCE_COLUMNS = 7

# A master's own silences: the longest one as above but for the longest possible length, S_CERTAIN counts those
# beyond the limit; and its last request's:
M_LAST_NS = 7  # first sighting, -1 before the first
M_LATEST_NS = 8  # the latest delivery of any so far
M_LAST_ROW = 9  # transaction
MASTER_COLUMNS = 10

# What a transaction is to the watchdog.
NO_FEED = 0
FEED = 1
CONFIRMED = 2

# Registers that `find_silences` fills.
R_FEEDS = 0
R_FIRST_NS = 1  # first sighting of the first feed
R_LAST_NS = 2  # first sighting of the last feed
R_LATEST_NS = 3  # the latest delivery of any feed
R_LAST_ROW = 4
R_CONFIRMED_NS = 5  # first sighting of the last confirmed feed, -1 where none
R_CERTAIN = 6  # silences beyond the limit for certain
R_POSSIBLE = 7  # silences beyond it only as the longest possible
R_LISTED = 8  # rows of the silence table filled
R_CERTAIN_SINCE = 9  # silences beyond the limit for certain since the last confirmed feed
R_COLUMNS = 10

BEYOND_GATEWAY = 0x0A  # exceptions 0A and 0B come from the gateway, not from the unit behind it

NEVER_NS = (1 << 63) - 1  # no silence is longer

DONE = 0
LOOK_AHEAD = 1  # a silence is beyond the limit: `find_confirmations` must be asked first


@helper
def feed_of(marks: int, code: int, change_only: int, reply_only: int, exceptions_feed: int) -> int:
    """NO_FEED, FEED or CONFIRMED: what a transaction of a feeding poll is to the watchdog."""
    if change_only and not marks & CHANGED:
        return NO_FEED
    confirms = code == 0 or (exceptions_feed and not BEYOND_GATEWAY <= code <= BEYOND_GATEWAY + 1)
    if was_answered(marks) and confirms:
        return CONFIRMED
    return NO_FEED if reply_only else FEED


@kernel
def find_confirmations(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    feeder: Columns, change_only: int, reply_only: int, exceptions_feed: int, earliest_ns: Columns,
) -> int:  # fmt: skip
    """earliest_ns: for each place in ``order`` the earliest reply that confirms it or a later one, or -1."""
    soonest = -1
    for k in range(len(order) - 1, -1, -1):
        t = order[k & INDEX] & INDEX
        if feeder[poll[t] & INDEX] >= 0:
            marks = status[t] & 0xFF
            if feed_of(marks, exception[t] & 0xFF, change_only, reply_only, exceptions_feed) == CONFIRMED:
                replied_ns = request_ns[t] + reply_ns[t]
                soonest = replied_ns if soonest < 0 or replied_ns < soonest else soonest
        earliest_ns[k & INDEX] = soonest
    return DONE


@kernel
def find_silences(
    order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow, exception: Narrow,
    feeder: Columns, change_only: int, reply_only: int, exceptions_feed: int, limit_ns: int,
    earliest_ns: Columns, longest: Columns, table: Columns, masters: Columns, registers: Columns,
) -> int:  # fmt: skip
    """The longest silence and those beyond ``limit_ns`` (-1: none is) between feeds, in time order.

    ``feeder`` says for each poll which master's requests feed, -1 where they do not. ``earliest_ns`` is of
    `find_confirmations`, or empty: then LOOK_AHEAD is the answer where a silence may be beyond the limit,
    and whatever else was found is void. ``longest`` has one row like those of ``table``; ``masters`` a row
    for each master, or none where their own silences are not asked for.
    """
    beyond_ns = limit_ns if limit_ns >= 0 else NEVER_NS
    feeds = 0
    first_ns = 0
    last_ns = -1
    latest_ns = 0
    last_row = 0
    confirmed_ns = -1
    confirmed_row = 0
    confirmed_latest_ns = -1
    longest_ns = -1
    longest_confirmed_ns = -1
    longest_k = 0
    certain = 0
    certain_since = 0
    possible = 0
    listed = 0
    for k in range(len(order)):
        t = order[k] & INDEX
        m = feeder[poll[t] & INDEX]
        if m < 0:
            continue
        now_ns = request_ns[t]
        delivered_ns = now_ns + reply_ns[t] if reply_ns[t] > 0 else now_ns
        if len(masters) > 0:
            _take_master(masters, m & INDEX, t, now_ns, delivered_ns, beyond_ns)
        feed = feed_of(status[t] & 0xFF, exception[t] & 0xFF, change_only, reply_only, exceptions_feed)
        if feed == NO_FEED:
            continue
        if feeds == 0:
            first_ns = now_ns
        else:
            shortest_ns = now_ns - latest_ns if now_ns > latest_ns else 0
            if now_ns - last_ns > longest_ns:
                longest_ns = now_ns - last_ns
                longest_confirmed_ns = confirmed_ns
                longest_k = k
                _put(longest, 0, last_ns, now_ns, shortest_ns, -1, last_row, t, 1)
            if shortest_ns > beyond_ns:
                if len(earliest_ns) == 0:
                    return LOOK_AHEAD
                certain += 1
                certain_since += 1
                if listed < len(table):
                    most_ns = _between(confirmed_ns, earliest_ns[k])
                    _put(table, listed, last_ns, now_ns, shortest_ns, most_ns, last_row, t, 1)
                    listed += 1
        if feed == CONFIRMED:
            if certain_since == 0 and confirmed_ns >= 0 and delivered_ns - confirmed_ns > beyond_ns:
                if len(earliest_ns) == 0:
                    return LOOK_AHEAD
                most_ns = earliest_ns[k] - confirmed_ns
                if most_ns > beyond_ns:
                    possible += 1
                    if listed < len(table):
                        shortest_ns = now_ns - confirmed_latest_ns if now_ns > confirmed_latest_ns else 0
                        _put(table, listed, confirmed_ns, now_ns, shortest_ns, most_ns, confirmed_row, t, 0)
                        listed += 1
            confirmed_ns = now_ns
            confirmed_row = t
            confirmed_latest_ns = delivered_ns
            certain_since = 0
        feeds += 1
        last_ns = now_ns
        latest_ns = delivered_ns if delivered_ns > latest_ns else latest_ns
        last_row = t
    if feeds > 1:
        soonest_ns = _confirmed_next(
            longest_k, order, request_ns, reply_ns, poll, status, exception, feeder,
            change_only, reply_only, exceptions_feed,
        )  # fmt: skip
        longest[0, S_LONGEST_NS] = _between(longest_confirmed_ns, soonest_ns)
    registers[R_FEEDS] = feeds
    registers[R_FIRST_NS] = first_ns
    registers[R_LAST_NS] = last_ns
    registers[R_LATEST_NS] = latest_ns
    registers[R_LAST_ROW] = last_row
    registers[R_CONFIRMED_NS] = confirmed_ns
    registers[R_CERTAIN] = certain
    registers[R_POSSIBLE] = possible
    registers[R_LISTED] = listed
    registers[R_CERTAIN_SINCE] = certain_since
    return DONE


@helper
def _take_master(masters: Columns, m: int, t: int, now_ns: int, delivered_ns: int, beyond_ns: int) -> None:
    """What a feeding request, whatever became of it, ends and begins of its own master's silences."""
    last_ns = masters[m, M_LAST_NS]
    latest_ns = masters[m, M_LATEST_NS]
    if last_ns >= 0:
        shortest_ns = now_ns - latest_ns if now_ns > latest_ns else 0
        if shortest_ns > beyond_ns:
            masters[m, S_CERTAIN] += 1
        if now_ns - last_ns > masters[m, S_UNTIL_NS] - masters[m, S_FROM_NS]:
            beyond = masters[m, S_CERTAIN]
            _put(masters, m, last_ns, now_ns, shortest_ns, -1, masters[m, M_LAST_ROW], t, beyond)
    masters[m, M_LAST_NS] = now_ns
    masters[m, M_LAST_ROW] = t
    if delivered_ns > latest_ns:
        masters[m, M_LATEST_NS] = delivered_ns


@rare
def _put(
    table: Columns, row: int, from_ns: int, until_ns: int, shortest_ns: int, longest_ns: int, before: int,
    after: int, certain: int,
) -> None:  # fmt: skip
    table[row, S_FROM_NS] = from_ns
    table[row, S_UNTIL_NS] = until_ns
    table[row, S_SHORTEST_NS] = shortest_ns
    table[row, S_LONGEST_NS] = longest_ns
    table[row, S_BEFORE] = before
    table[row, S_AFTER] = after
    table[row, S_CERTAIN] = certain


@helper
def _between(confirmed_ns: int, soonest_ns: int) -> int:
    """The longest possible length of a silence between two confirmations; -1 where one is not known."""
    if confirmed_ns < 0 or soonest_ns < 0:
        return -1
    return soonest_ns - confirmed_ns


@rare
def _confirmed_next(
    first: int, order: Narrow, request_ns: Columns, reply_ns: Columns, poll: Narrow, status: Narrow,
    exception: Narrow, feeder: Columns, change_only: int, reply_only: int, exceptions_feed: int,
) -> int:  # fmt: skip
    """What `find_confirmations` would say of one place alone: no request after the reply can have an earlier one."""
    soonest = -1
    for k in range(first, len(order)):
        t = order[k & INDEX] & INDEX
        if soonest >= 0 and request_ns[t] >= soonest:
            break
        if feeder[poll[t] & INDEX] >= 0:
            marks = status[t] & 0xFF
            if feed_of(marks, exception[t] & 0xFF, change_only, reply_only, exceptions_feed) == CONFIRMED:
                replied_ns = request_ns[t] + reply_ns[t]
                soonest = replied_ns if soonest < 0 or replied_ns < soonest else soonest
    return soonest
