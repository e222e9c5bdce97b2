"""Figures of a device → which data addresses were read and written, and by which polls."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mbsniff.diagnose.load import largest_block
from mbsniff.exchange import Exchange
from mbsniff.measure.addresses import Block, read_block, written_block
from mbsniff.measure.figures import DeviceFigures, Figures, PollFigures
from mbsniff.site.register import DATA_TABLES, DataTable

ILLEGAL_DATA_ADDRESS = 2  # MODBUS Application Protocol Specification V1.1b3, section 7
_SINGLE_REGISTER = 6


@dataclass(frozen=True)
class Use:
    """Neighbouring addresses that were used alike."""

    table: DataTable
    first: int
    count: int
    read: bool
    written: bool

    @property
    def last(self) -> int:
        """The last address."""
        return self.first + self.count - 1


@dataclass(frozen=True)
class Observed:
    """A device as the recording shows it."""

    figures: DeviceFigures
    uses: tuple[Use, ...]
    """By table and address."""
    polls: dict[Use, list[PollFigures]]
    """Those that touched each, by period."""
    values: dict[int, tuple[int, int]]
    """Holding register: least and greatest raw value written to it alone (function 6)."""
    refused: list[tuple[PollFigures, int]]
    """Polls never answered but with exception 2, with the number of these."""
    largest_block: int | None

    @property
    def answered(self) -> bool:
        """Whether it ever answered without an exception."""
        return self.figures.answered > sum(self.figures.exceptions.values())


def observe(exchange: Exchange, figures: Figures) -> list[Observed]:
    """What was observed of each device, in the order of ``figures``."""
    values = _written_values(exchange)
    return [_observed(device, figures.exceptions_by_poll, values) for device in figures.devices]


def _observed(
    device: DeviceFigures, exceptions: dict[int, dict[int, int]], values: dict[int, tuple[int, int]]
) -> Observed:
    good = [p for p in device.polls if p.answered > sum(exceptions.get(p.row, {}).values())]
    uses = _uses([read_block(p) for p in good], [written_block(p) for p in good])
    fallen = [
        (p, exceptions.get(p.row, {}).get(ILLEGAL_DATA_ADDRESS, 0)) for p in device.polls if p not in good
    ]
    written: dict[int, tuple[int, int]] = {}
    for poll in good:
        if poll.function == _SINGLE_REGISTER and poll.start is not None and poll.row in values:
            low, high = values[poll.row]
            before = written.get(poll.start, (low, high))
            written[poll.start] = (min(low, before[0]), max(high, before[1]))
    return Observed(
        figures=device,
        uses=uses,
        polls=_touching(uses, good),
        values=written,
        refused=[(poll, count) for poll, count in fallen if count],
        largest_block=largest_block(device),
    )


def _uses(reads: Iterable[Block | None], writes: Iterable[Block | None]) -> tuple[Use, ...]:
    """Runs of addresses that are read, written, or both; a line swept over the begins and ends of blocks.

    Blocks that are read join; what is written is cut where a block begins or ends, since that is one value's edge.
    """
    changes: dict[DataTable, dict[int, list[int]]] = defaultdict(lambda: defaultdict(lambda: [0, 0]))
    for kind, blocks in enumerate((reads, writes)):
        for block in blocks:
            if block is not None:
                table, first, count = block
                changes[table][first][kind] += 1
                changes[table][first + count][kind] -= 1
    uses: list[Use] = []
    for table in DATA_TABLES:
        open_reads = open_writes = 0
        for at, following in pairwise(sorted(changes[table])):
            open_reads += changes[table][at][0]
            open_writes += changes[table][at][1]
            _extend(uses, Use(table, at, following - at, open_reads > 0, open_writes > 0))
    return tuple(uses)


def _extend(uses: list[Use], more: Use) -> None:
    """Add a run, joined to the one before where both are only read and it begins where that one ends."""
    if not (more.read or more.written):
        return
    before = uses[-1] if uses else None
    alike = before and before.table == more.table and not (before.written or more.written)
    if before and alike and before.last + 1 == more.first:
        uses[-1] = Use(before.table, before.first, before.count + more.count, more.read, more.written)
    else:
        uses.append(more)


def _touching(uses: tuple[Use, ...], polls: list[PollFigures]) -> dict[Use, list[PollFigures]]:
    """The polls that touch each run, the fastest first."""
    owners = {(use.table, address): use for use in uses for address in range(use.first, use.last + 1)}
    found: dict[Use, dict[int, PollFigures]] = {use: {} for use in uses}
    for poll in polls:
        for block in (read_block(poll), written_block(poll)):
            if block is not None:
                table, first, count = block
                for use in {owners[table, address] for address in range(first, first + count)}:
                    found[use][poll.row] = poll
    return {use: sorted(each.values(), key=_period) for use, each in found.items()}


def _period(poll: PollFigures) -> tuple[float, int]:
    return (poll.period.median if poll.kind == "cyclic" and poll.period else float("inf")), -poll.count


def _written_values(exchange: Exchange) -> dict[int, tuple[int, int]]:
    """Row of the poll table: least and greatest value of its writes of a single register."""
    single = (exchange.polls[:, 0] & 0xFF) == _SINGLE_REGISTER
    chosen = single[exchange.poll] & (exchange.value >= 0)
    lows = np.full(len(exchange.polls), 1 << 16, np.int64)
    highs = np.full(len(exchange.polls), -1, np.int64)
    np.minimum.at(lows, exchange.poll[chosen], exchange.value[chosen])
    np.maximum.at(highs, exchange.poll[chosen], exchange.value[chosen])
    return {int(row): (int(lows[row]), int(highs[row])) for row in np.flatnonzero(highs >= 0)}
