"""A Plant in, its transactions as plain dictionaries out, in the order of their requests."""

from __future__ import annotations

from typing import Any

from mbsniff.exchange import Exchange
from mbsniff.exchange import columns as c
from mbsniff.exchange.tracker import Tracker
from mbsniff.wire.reader import MessageReader
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.recorder import recorded
from tests.builders.rows import batch_of

MARKS = {
    "changed": c.CHANGED, "resent": c.RESENT, "sent again": c.SENT_AGAIN, "shape": c.NOT_THE_SHAPE
}  # fmt: skip


def exchange_of(plant: Plant, *, until_s: float | None = None, compiled: bool = False) -> Exchange:
    """The exchange of all that went by; the recording ends with its last frame, or at ``until_s``."""
    records = recorded(plant.wire)
    messages = MessageReader(compiled=compiled)
    tracker = Tracker(messages, compiled=compiled)
    for rows, values in messages.feed(batch_of(records), 0):
        tracker.take(rows, values)
    end_ns = max(time_ns for time_ns, _, _ in records)
    if until_s is not None:
        end_ns = BEGINS_NS + round(until_s * 1e9)
    for rows, values in messages.finish(end_ns):
        tracker.take(rows, values)
    return tracker.finish(end_ns)


def told(exchange: Exchange) -> list[dict[str, Any]]:
    """Every transaction, orphan replies among them, in the order of request frames."""
    found = []
    for t in range(len(exchange.poll)):
        key = exchange.poll_key(int(exchange.poll[t]))
        status = int(exchange.status[t])
        ack_ns = int(exchange.ack_ns[t])
        found.append({
            "status": c.STATUS_NAMES[status & c.STATUS_MASK],
            "marks": {name for name, bit in MARKS.items() if status & bit},
            "unit": key.unit,
            "function": key.function,
            "start": key.start,
            "quantity": key.quantity,
            "seconds": (int(exchange.request_ns[t]) - BEGINS_NS) / 1e9,
            "reply_s": int(exchange.reply_ns[t]) / 1e9 if exchange.reply_ns[t] >= 0 else None,
            "ack_s": ack_ns / 1e9 if ack_ns >= 0 else None,
            "exception": int(exchange.exception[t]),
            "frame": int(exchange.request_frame[t]),
            "reply_frame": int(exchange.reply_frame[t]),
            "value": _value(exchange, t, key.function),
        })  # fmt: skip
    return sorted(found, key=lambda one: one["frame"])


def _value(exchange: Exchange, t: int, function: int) -> int | bytes | None:
    entry = int(exchange.value[t])
    if entry < 0 or function in (5, 6):
        return None if entry < 0 else entry
    begin, count = exchange.value_table[entry].tolist()
    return exchange.value_bytes[begin : begin + count].tobytes()


def statuses(plant: Plant, *, until_s: float | None = None) -> list[str]:
    """The statuses of all transactions, in the order of their requests."""
    return [one["status"] for one in told(exchange_of(plant, until_s=until_s))]
