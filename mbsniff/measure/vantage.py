"""Handshake events in, where the recorder seems to sit out."""

from __future__ import annotations

from typing import Literal

import numpy as np

from mbsniff.exchange import Exchange
from mbsniff.exchange.columns import E_AMOUNT, E_FROM_NS, E_KIND
from mbsniff.measure.quantiles import median
from mbsniff.wire.rows import ACKNOWLEDGED

Vantage = Literal["masters", "devices", "between", "unknown"]

FAR = 4  # one way is this many times the other before the recorder counts as near one end


def vantage(exchange: Exchange) -> tuple[Vantage, int]:
    """(near whom the recorder sits, how many handshakes say so).

    SYN to SYN-and-ACK is the way to the device and back, SYN-and-ACK to ACK the way to the master and back.
    """
    rows = exchange.events[exchange.events[:, E_KIND] == ACKNOWLEDGED]
    rows = rows[(rows[:, E_AMOUNT] >= 0) & (rows[:, E_FROM_NS] >= 0)]
    to_device = median(np.ascontiguousarray(rows[:, E_AMOUNT]))
    to_master = median(np.ascontiguousarray(rows[:, E_FROM_NS]))
    if to_device is None or to_master is None:
        return "unknown", 0
    if to_device >= FAR * to_master:
        return "masters", len(rows)
    if to_master >= FAR * to_device:
        return "devices", len(rows)
    return "between", len(rows)
