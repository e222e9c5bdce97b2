"""Transactions and a way to see frames again in, what their replies held out: what the loops do not keep."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from mbsniff.capture import Frame
from mbsniff.exchange.columns import ANSWERED, BY_ORDER, LATE, PIPELINED, STATUS_MASK
from mbsniff.exchange.result import Exchange, PollKey
from mbsniff.wire.functions import EXCEPTION_BIT

if TYPE_CHECKING:
    from mbsniff.wire.segment import Message, Segment

Look = Callable[[Iterable[int]], Iterator[Frame]]
"""Ordinals of frames → these frames, in the order recorded (`mbsniff.capture.frames_again`)."""

_MATCHED = (ANSWERED, BY_ORDER, PIPELINED, LATE)
_BITS = (1, 2)
_DATA = (3, 4, 23)


def segments_again(look: Look, ordinals: Iterable[int]) -> Iterator[tuple[int, Segment]]:
    """(ordinal, TCP segment) of the frames that have one."""
    from mbsniff.wire.segment import read_segment  # loaded for a second look

    for frame in look(ordinals):
        segment = read_segment(frame.data, frame.original_bytes, frame.link)
        if segment is not None:
            yield frame.ordinal, segment


def reply_pdus(exchange: Exchange, rows: NDArray[np.int32], look: Look) -> dict[int, bytes]:
    """Transaction: PDU of the normal reply that answers it, for those of ``rows`` whose reply can be told.

    Left out are transactions without a normal reply, replies that do not lie whole in the frame that completed
    them, and frames in which there are more such replies than transactions, or fewer.
    """
    answered = well_answered(exchange, rows)
    by_frame: dict[int, list[int]] = defaultdict(list)
    for row, frame in zip(answered.tolist(), exchange.reply_frame[answered].tolist(), strict=True):
        by_frame[frame].append(row)
    return {
        row: pdu
        for ordinal, segment in segments_again(look, by_frame)
        for row, pdu in _told(exchange, by_frame[ordinal], segment.messages)
    }


def well_answered(exchange: Exchange, rows: NDArray[np.int32]) -> NDArray[np.int32]:
    """Those of the transactions that a normal reply answers, in time or late."""
    kinds = exchange.status[rows] & STATUS_MASK
    return np.asarray(rows[np.isin(kinds, _MATCHED) & (exchange.exception[rows] == 0)], np.int32)


def _told(exchange: Exchange, rows: list[int], messages: tuple[Message, ...]) -> Iterator[tuple[int, bytes]]:
    """The frame's transactions of each shape, and as many messages of that shape, in their order."""
    by_shape: dict[tuple[int, int, int], list[int]] = defaultdict(list)
    keys: dict[tuple[int, int, int], PollKey] = {}
    for row in sorted(rows, key=lambda r: int(exchange.request_frame[r])):
        key = exchange.poll_key(int(exchange.poll[row]))
        shape = (key.unit, key.function, key.quantity)
        by_shape[shape].append(row)
        keys[shape] = key
    for shape, own in by_shape.items():
        fitting = [m.pdu for m in messages if m.unit == shape[0] and _fits(m.pdu, keys[shape])]
        if len(fitting) == len(own):
            yield from zip(own, fitting, strict=True)


def _fits(pdu: bytes, key: PollKey) -> bool:
    """Whether a normal reply's function, and of reads its length, are what the poll asks for."""
    if pdu[0] & EXCEPTION_BIT or pdu[0] != key.function:
        return False
    if key.function in _BITS:
        return len(pdu) == 2 + (key.quantity + 7) // 8
    return key.function not in _DATA or len(pdu) == 2 + 2 * key.quantity
