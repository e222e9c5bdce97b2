"""An Exchange in, a row for each transaction out, in time order, some thousand at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange import Exchange, PollKey, RecordingFacts
from mbsniff.exchange import columns as c
from mbsniff.report.export_names import HostNames
from mbsniff.report.export_places import moments, places
from mbsniff.report.rounding import milliseconds
from mbsniff.site import Site

Row = list[object]
Whose = tuple[object, ...]
CHUNK = 8192
FIELDS = (
    "asked", "device", "address", "port", "unit", "master", "master_address", "function", "start", "quantity",
    "write_start", "write_quantity", "written", "status", "exception", "marks", "replied", "reply_ms", "ack_ms",
    "file", "frame", "reply_file", "reply_frame",
)  # fmt: skip
MARKS = {
    c.CHANGED: "changed", c.RESENT: "resent", c.SENT_AGAIN: "sent-again", c.NOT_THE_SHAPE: "malformed",
}  # fmt: skip
_REPLIED = (c.ANSWERED, c.BY_ORDER, c.PIPELINED, c.LATE, c.MISADDRESSED)
_MARK_LISTS = {
    marks: [name for bit, name in MARKS.items() if marks & bit] for marks in range(0, 256, c.STATUS_MASK + 1)
}


def transaction_rows(exchange: Exchange, facts: RecordingFacts, site: Site) -> Iterator[list[Row]]:
    """Rows with the columns of FIELDS, CHUNK at a time, by time and frame; None where there is nothing.

    Of a reply without a request (status "orphan") only the reply's side is filled.
    """
    names = HostNames(site)
    keys = [exchange.poll_key(row) for row in range(len(exchange.polls))]
    whose = [_whose(exchange, names, key) for key in keys]
    order = np.lexsort((exchange.request_frame, exchange.request_ns))
    for begin in range(0, len(order), CHUNK):
        yield _chunk(exchange, facts, order[begin : begin + CHUNK], keys, whose)


def _whose(exchange: Exchange, names: HostNames, key: PollKey) -> tuple[Whose, Whose]:
    """What all transactions of a poll share: (who, what)."""
    pair = exchange.pairs[key.pair]
    device = names.device(pair.server, pair.port, key.unit)
    who = (device, pair.server, pair.port, key.unit, names.master(pair.client), pair.client)
    numbers = (key.start, key.quantity, key.write_start, key.write_quantity)
    return who, (key.function, *(number if number >= 0 else None for number in numbers))


def _chunk(
    exchange: Exchange,
    facts: RecordingFacts,
    rows: NDArray[np.int64],
    keys: list[PollKey],
    whose: list[tuple[Whose, Whose]],
) -> list[Row]:
    kinds = exchange.kinds[rows]
    request_ns, reply_ns = exchange.request_ns[rows], exchange.reply_ns[rows]
    is_orphan = kinds == c.ORPHAN
    has_reply = np.isin(kinds, _REPLIED) | is_orphan
    asked, replied = moments(request_ns), moments(request_ns + np.where(has_reply & ~is_orphan, reply_ns, 0))
    frames = places(facts, np.where(is_orphan, -1, exchange.request_frame[rows].astype(np.int64)))
    reply_frames = places(facts, np.where(has_reply, exchange.reply_frame[rows].astype(np.int64), -1))
    polls, kinds_, marks = (a.tolist() for a in (exchange.poll[rows], kinds, exchange.status[rows] & 0xF0))
    replies, acks, codes = (a.tolist() for a in (reply_ns, exchange.ack_ns[rows], exchange.exception[rows]))
    values, orphans, has_replies = (a.tolist() for a in (exchange.value[rows], is_orphan, has_reply))
    return [
        [
            None if orphans[k] else asked[k], *whose[polls[k]][0], *whose[polls[k]][1],
            written(exchange, keys[polls[k]], values[k]), c.STATUS_NAMES[kinds_[k]], _code(codes[k]),
            _MARK_LISTS[marks[k]] or None, replied[k] if has_replies[k] else None,
            milliseconds(replies[k]) if has_replies[k] and not orphans[k] else None,
            milliseconds(acks[k]) if acks[k] >= 0 else None, *frames[k], *reply_frames[k],
        ]
        for k in range(len(rows))
    ]  # fmt: skip


def _code(code: int) -> int | None:
    """An exception's code; 0 where the recording does not have it."""
    return {0: None, c.NO_CODE: 0}.get(code, code)


def written(exchange: Exchange, key: PollKey, entry: int) -> list[int] | int | str | None:
    """What a request writes: words, bits (function 15), a value; in hex what is neither; None where nothing is known.

    Function 5 gives 0 or 1 (FF00 is on, MODBUS Application Protocol V1.1b3, 6.5). Functions 21 and 22 stay in hex.
    """
    if entry < 0:
        return None
    if key.function in (5, 6):
        return {0xFF00: 1, 0: 0}.get(entry, entry) if key.function == 5 else entry
    begin, size = exchange.value_table[entry].tolist()
    data = exchange.value_bytes[begin : begin + size]
    if key.function == 15:
        return _bits(data)[: max(key.quantity, 0)]
    return _words(data) if key.function in (16, 23) else _hex(data)


def _hex(data: NDArray[np.uint8]) -> str:
    return data.tobytes().hex().upper()


def _words(data: NDArray[np.uint8]) -> list[int]:
    """Registers in order of address (4.2: the high byte first)."""
    return [int(word) for word in data[: len(data) // 2 * 2].view(">u2")]


def _bits(data: NDArray[np.uint8]) -> list[int]:
    """Coils in order of address (6.11: from the low bit on), and what fills the last byte."""
    return [int(bit) for bit in np.unpackbits(data, bitorder="little")]
