"""In which framing an endpoint is spoken to; findings out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from mbsniff.diagnose.case import found
from mbsniff.diagnose.finding import Finding, Level
from mbsniff.diagnose.patterns.ground import Ground, span
from mbsniff.diagnose.wording import counted
from mbsniff.exchange.columns import OPEN, UNANSWERED

AT_LEAST = 3


def framing_patterns(ground: Ground) -> Iterator[Finding]:
    """Serial framing where an MBAP header is due."""
    if ground.case.serial_pairs.any():
        yield from _serial(ground)


def _serial(ground: Ground) -> Iterator[Finding]:
    case, exchange = ground.case, ground.case.exchange
    for pair in ground.pairs_asking():
        own = (exchange.connection_pair == pair) & (exchange.connection_serial > 0)
        messages = int(exchange.connection_serial[own].sum())
        if messages < AT_LEAST:
            continue
        rows = ground.requests_of(pair)
        kinds = ground.kinds_of(rows)
        missing = np.count_nonzero(kinds == UNANSWERED)
        unheard = missing >= AT_LEAST and bool(np.isin(kinds, (UNANSWERED, OPEN)).all())
        way = "UDP" if exchange.connection_udp[own].all() else "TCP"
        text = (
            f"{ground.client(pair)} and the device exchange frames of the serial line over {way} (unit, PDU, CRC-16, "
            f"no MBAP header): {counted(messages, 'message')} with a right CRC"
        )
        if unheard:
            text += "; none was answered, as by a device that expects an MBAP header"
        level: Level = "risk" if unheard else "remark"
        frames = case.request_frames(rows.tolist())
        at = span(ground.times_of(rows))
        yield found("serial-framing", level, ground.device, text, at=at, evidence=frames)
