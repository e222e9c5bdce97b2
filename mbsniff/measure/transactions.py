"""A device's transactions in, how many ended how, its reply times and its polls' intervals out; service times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mbsniff.exchange.columns import LATE, NO_CODE, P_COUNT, RESENT, SENT_AGAIN, STATUS_MASK, STATUS_NAMES
from mbsniff.measure.figures import Quantiles
from mbsniff.measure.groups import Groups
from mbsniff.measure.passes import gather_services, take_transactions
from mbsniff.measure.quantiles import Stretch, quantiles_apart

PLACES, BEFORE = 1, 2  # tables of its own among the groups'

_BYTES = np.arange(256)
_COUNTED = np.stack(
    [np.equal(_BYTES & STATUS_MASK, kind) for kind in range(len(STATUS_NAMES))]
    + [np.greater(_BYTES & mark, 0) for mark in (RESENT, SENT_AGAIN)]
).astype(np.int64)  # which status bytes are of each status, and have each mark


@dataclass(frozen=True)
class Taken:
    """What one pass over a device's transactions gives; arrays are valid until the next device's."""

    statuses: dict[str, int]
    """By status name."""
    answered: int
    resent: int
    sent_again: int
    exceptions: dict[int, int]
    """By exception code; 0 where a reply had none or it was not recorded."""
    replies_ns: NDArray[np.int64]
    """Reply times of the answered requests, shape (answered,)."""
    intervals_ns: NDArray[np.int64]
    """Between the requests of each of the device's polls."""
    stretches: list[Stretch]
    """Where in ``intervals_ns`` those of each poll lie, in the groups' order."""


def take(groups: Groups, device: int, scratch: NDArray[np.int64], *, compiled: bool) -> Taken:
    """Go through the device's transactions; ``scratch`` has two rows with room for them."""
    exchange, rows = groups.exchange, groups.polls_of_device[device]
    counts, exceptions = np.zeros((2, 256), np.int64)
    lengths = exchange.polls[rows, P_COUNT]
    ends = np.cumsum(lengths)
    with (
        groups.table(rows, ends - lengths, place=PLACES) as places,
        groups.table(rows, 0, place=BEFORE) as before,
    ):
        answered = take_transactions(
            groups.transactions(device), exchange.request_ns, exchange.reply_ns, exchange.poll,
            exchange.status, exchange.exception, counts, exceptions, before, places, *scratch,
            compiled=compiled,
        )  # fmt: skip
    *statuses, resent, sent_again = (_COUNTED @ counts).tolist()
    exceptions[0] = exceptions[NO_CODE]
    codes = np.flatnonzero(exceptions[:NO_CODE])
    first = (ends - lengths + 1).tolist()  # each poll's first request has none before
    return Taken(
        statuses=dict(zip(STATUS_NAMES, statuses, strict=True)),
        answered=sum(statuses[1 : LATE + 1]),
        resent=resent,
        sent_again=sent_again,
        exceptions=dict(zip(codes.tolist(), exceptions[codes].tolist(), strict=True)),
        replies_ns=scratch[0][:answered],
        intervals_ns=scratch[1],
        stretches=list(zip(first, ends.tolist(), strict=True)),
    )


def service_times(
    groups: Groups,
    devices: list[int],
    order: NDArray[np.int32],
    scratch: NDArray[np.int64],
    *,
    compiled: bool,
) -> list[Quantiles | None]:
    """Of each of an endpoint's ``devices``; ``order`` has their transactions in time order."""
    exchange, first = groups.exchange, devices[0]
    begins = (groups.bounds[devices] - groups.bounds[first]).tolist()
    lengths, replied = scratch
    count = -1
    while count < 0:
        places = np.array(begins, np.int64)
        count = gather_services(
            order, exchange.request_ns, exchange.reply_ns, exchange.reply_frame, exchange.poll,
            exchange.status, groups.device_of_poll, first, replied, places, lengths, compiled=compiled,
        )  # fmt: skip
        if count < 0:
            order = order[np.argsort(exchange.reply_frame[order], kind="stable")]
    return quantiles_apart(
        lengths, list(zip(begins, places.tolist(), strict=True)), lengths, compiled=compiled
    )
