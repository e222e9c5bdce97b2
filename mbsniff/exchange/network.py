"""Rows of the network loop in, the columns of `Exchange.network` and the texts of its addresses out."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import (
    N_ADDRESS,
    N_AMOUNT,
    N_CONNECTION,
    N_FRAME,
    N_HOPS,
    N_KIND,
    N_MAC,
    N_TARGET,
    N_TARGET_MAC,
    N_TIME_NS,
    NETWORK_COLUMNS,
)
from mbsniff.wire.link import IPV4
from mbsniff.wire.network import rows as r

_SAME = {
    N_KIND: r.R_KIND, N_TIME_NS: r.R_TIME_NS, N_FRAME: r.R_FRAME, N_MAC: r.R_MAC, N_TARGET_MAC: r.R_TARGET_MAC,
    N_HOPS: r.R_HOPS, N_AMOUNT: r.R_AMOUNT, N_CONNECTION: r.R_CONNECTION,
}  # fmt: skip
_WORDS = {N_ADDRESS: r.R_ADDRESS, N_TARGET: r.R_TARGET}


def network_table(raw: NDArray[np.int64]) -> tuple[NDArray[np.int64], list[str]]:
    """(network, hosts) of rows as `mbsniff.wire.network.rows` has them: by time, then frame; hosts by address."""
    if not len(raw):
        return np.empty((0, NETWORK_COLUMNS), np.int64), []
    raw = raw[np.lexsort((raw[:, r.R_KIND], raw[:, r.R_FRAME], raw[:, r.R_TIME_NS]))]
    words = np.concatenate([raw[:, first : first + r.ADDRESS_WORDS] for first in _WORDS.values()])
    known, which = _distinct(words)
    nobody = int(known[0, 0] < 0)  # the row that says "none" sorts first
    table = np.empty((len(raw), NETWORK_COLUMNS), np.int64)
    for column, source in _SAME.items():
        table[:, column] = raw[:, source]
    for column, part in zip(_WORDS, np.split(which - nobody, len(_WORDS)), strict=True):
        table[:, column] = part
    return table, [_text(*words) for words in known[nobody:].tolist()]


def _distinct(words: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The distinct rows, sorted, and which of them each row is: numpy's own way costs several times as much."""
    order = np.lexsort(words.T[::-1])
    ascending = words[order]
    begins = np.ones(len(words), bool)
    np.any(ascending[1:] != ascending[:-1], axis=1, out=begins[1:])
    which = np.empty(len(words), np.int64)
    which[order] = np.cumsum(begins) - 1
    return ascending[begins], which


def _text(first: int, second: int, third: int) -> str:
    if first >> 48 == IPV4:
        return str(IPv4Address(first & 0xFFFFFFFF))
    return str(IPv6Address((first & 0xFFFFFFFFFFFF) << 80 | second << 32 | third))
