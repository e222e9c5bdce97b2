"""Records of a capture in, the wire loop's message rows out, as plain dictionaries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from mbsniff.capture.frames import FrameBatch
from mbsniff.wire import rows as r
from mbsniff.wire.reader import Counters, MessageReader
from tests.builders.packets import Link
from tests.builders.plant import BEGINS_NS, Plant
from tests.builders.recorder import Record, recorded

ETHERNET = Link()
KINDS = {
    r.REQUEST: "request", r.REPLY: "reply", r.ACKNOWLEDGED: "acknowledged", r.UNRECORDED: "unrecorded",
    r.AGAIN: "again", r.PROBE: "probe", r.OPENING: "opening", r.ACCEPTED: "accepted", r.CLOSING: "closing",
    r.RESET: "reset", r.WINDOW_CLOSED: "window closed", r.WINDOW_OPENED: "window opened",
}  # fmt: skip
SHAPES = {r.FITS: "fits", r.MALFORMED: "malformed", r.CUT: "cut"}


class Rows:
    """Message rows in the order given out, and what was counted."""

    def __init__(self, found: list[dict[str, Any]], counters: Counters, reader: MessageReader) -> None:
        self.found = found
        self.counters = counters
        self.reader = reader

    def of(self, *kinds: str) -> list[dict[str, Any]]:
        """The rows of these kinds."""
        return [row for row in self.found if row["kind"] in kinds]

    @property
    def messages(self) -> list[tuple[str, int]]:
        """(request or reply, identifier) of every message."""
        return [(row["kind"], row["identifier"]) for row in self.of("request", "reply")]

    @property
    def kinds(self) -> list[str]:
        """The kinds of all rows."""
        return [row["kind"] for row in self.found]


def rows_of(
    source: Plant | Sequence[Record],
    *,
    links: Iterable[int] | None = None,
    ports: Sequence[int] = (502,),
    compiled: bool = False,
) -> Rows:
    """Read records of Ethernet, or of the link types in ``links``, to their end."""
    records = recorded(source.wire, ETHERNET) if isinstance(source, Plant) else source
    reader = MessageReader(ports=ports, compiled=compiled)
    batch = batch_of(records, links)
    found: list[dict[str, Any]] = []
    for rows, values in reader.feed(batch, 0):
        found += [_named(row, values.tobytes()) for row in rows.tolist()]
    for rows, values in reader.finish(max(time_ns for time_ns, _, _ in records)):
        found += [_named(row, values.tobytes()) for row in rows.tolist()]
    return Rows(found, reader.counters, reader)


def batch_of(records: Sequence[Record], links: Iterable[int] | None = None) -> FrameBatch:
    """A batch of frames; between the frames lie bytes that belong to none."""
    gap = b"\xee" * 7
    rows, data = [], gap
    numbers = list(links) if links is not None else [1] * len(records)
    for (time_ns, frame, original), link in zip(records, numbers, strict=True):
        rows.append([len(data), len(frame), original, time_ns, link])
        data += frame + gap
    return FrameBatch(np.frombuffer(bytearray(data), np.uint8), np.array(rows, np.int64).reshape(-1, 5), 0, 1)


def _named(row: list[int], values: bytes) -> dict[str, Any]:
    named: dict[str, Any] = {
        "kind": KINDS[row[r.KIND]],
        "seconds": (row[r.TIME_NS] - BEGINS_NS) / 1e9,
        "connection": row[r.CONNECTION],
        "frame": row[r.FRAME],
    }
    if row[r.KIND] > r.REPLY:
        from_s = (row[r.FROM_NS] - BEGINS_NS) / 1e9 if row[r.FROM_NS] >= 0 else None
        return named | {
            "side": row[r.SIDE], "from": from_s, "amount": row[r.AMOUNT], "sequence": row[r.SEQUENCE]
        }  # fmt: skip
    count = row[r.VALUE_BYTES]
    return named | {
        "identifier": row[r.IDENTIFIER],
        "unit": row[r.UNIT],
        "function": row[r.FUNCTION],
        "start": row[r.START],
        "quantity": row[r.QUANTITY],
        "write_start": row[r.WRITE_START],
        "write_quantity": row[r.WRITE_QUANTITY],
        "detail": row[r.DETAIL],
        "value": values[row[r.VALUE] : row[r.VALUE] + count] if count > 0 else row[r.VALUE],
        "shape": SHAPES[row[r.SHAPE]],
    }
