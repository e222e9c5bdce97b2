"""Polls → the bytes of their requests and replies, MBAP header included."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.shape import UNIT, Bytes, Ints

WIDTH = 216  # the longest message here, a reply with 100 registers, has 209 bytes
READ, WRITE_ONE, WRITE_SEVERAL = 3, 6, 16


def requests(polls: Ints, rng: np.random.Generator) -> tuple[Bytes, Ints]:
    """Requests of polls (rows of function, start, quantity), shape (n, WIDTH), and their lengths."""
    function, start, quantity = polls.T
    message = np.zeros((len(polls), WIDTH), np.uint8)
    several = function == WRITE_SEVERAL
    length = np.where(several, 13 + 2 * quantity, 12)
    _head(message, function, length)
    _word(message, 8, start)
    _word(message, 10, np.where(function == WRITE_ONE, 0, quantity))
    message[several, 12] = 2 * quantity[several]
    _fill(message, np.where(several, 15, length), length, rng)  # the first register changes each time
    return message, length


def replies(polls: Ints, request: Bytes, rng: np.random.Generator) -> tuple[Bytes, Ints]:
    """Replies to those requests, shape (n, WIDTH), and their lengths."""
    function, _, quantity = polls.T
    message = np.zeros((len(polls), WIDTH), np.uint8)
    reads = function == READ
    message[~reads, 8:12] = request[~reads, 8:12]  # both writes are answered by an echo of four bytes
    length = np.where(reads, 9 + 2 * quantity, 12)
    message[reads, 8] = 2 * quantity[reads]
    _head(message, function, length)
    _fill(message, np.where(reads, 9, length), length, rng)
    return message, length


def _head(message: Bytes, function: Ints, length: Ints) -> None:
    """MBAP header (its transaction identifier comes later) and function code."""
    _word(message, 4, length - 6)
    message[:, 6] = UNIT
    message[:, 7] = function


def _word(message: Bytes, at: int, value: Ints) -> None:
    message[:, at] = value >> 8
    message[:, at + 1] = value & 0xFF


def _fill(message: Bytes, start: Ints, end: Ints, rng: np.random.Generator) -> None:
    """Registers of any value in the columns from start to end."""
    column = np.arange(WIDTH)
    mask = (column >= start[:, None]) & (column < end[:, None])
    message[mask] = rng.integers(0, 256, np.count_nonzero(mask), np.uint8)
