"""Lengths in, nearest ranks out."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from mbsniff.compiled import helper, kernel
from mbsniff.measure.figures import Quantiles
from mbsniff.wire.load import INDEX, Columns

PERCENTS = (5, 50, 95, 99, 100)
LEAST_COUNTED = 4096  # for fewer lengths in all, loading the loop takes longer than numpy does
MOST_BUCKETS = 4096  # the counts stay in a core's first cache
LEAST_BUCKETS = 64
LENGTHS_PER_BUCKET = 4
MOST_SORTED = 256  # so few are quicker sorted
SAMPLES = 64  # so many lengths say where the others may lie
STEP = (
    1_000_003  # from one sample to the next, round and round: a prime, so that no cycle of polls is in step
)

Stretch = tuple[int, int]
"""Where some of many lengths begin, and where they end."""

# Columns of a stretch of lengths for `narrow`.
N_BEGIN = 0
N_END = 1
N_RANKS = 2  # the first of the wanted ranks, one for each of PERCENTS
NARROW_COLUMNS = N_RANKS + len(PERCENTS)


@kernel
def narrow(lengths: Columns, stretches: Columns, counts: Columns, gathered: Columns) -> int:
    """The lengths of each stretch that may have one of its wanted ranks, into ``gathered``; how many in all.

    Each stretch's row then says where they lie there, and the wanted ranks among those alone. They lie in the
    order of the stretches, so that ``gathered`` may be ``lengths`` itself. ``counts`` has MOST_BUCKETS entries.
    Buckets are equal stretches of the extent of a few lengths; what lies outside goes to the first or the last.
    """
    count = 0
    for s in range(len(stretches)):
        begin = stretches[s, N_BEGIN]
        end = stretches[s, N_END]
        low = lengths[begin & INDEX]
        high = low
        for sample in range(SAMPLES):
            length = lengths[begin + sample * STEP % (end - begin) & INDEX]
            low = length if length < low else low
            high = length if length > high else high
        last = LEAST_BUCKETS - 1
        while (last + 1) * LENGTHS_PER_BUCKET < end - begin and last + 1 < MOST_BUCKETS:
            last = 2 * last + 1
        shift = 0
        while (high - low) >> shift > last:
            shift += 1
        for bucket in range(last + 1):
            counts[bucket] = 0
        for k in range(begin, end):
            length = lengths[k & INDEX]
            bucket = (length - low) >> shift if length > low else 0
            counts[(bucket if bucket < last else last) & INDEX] += 1
        _choose(stretches, s, last, counts)
        first = count
        for k in range(begin, end):
            length = lengths[k & INDEX]
            bucket = (length - low) >> shift if length > low else 0
            gathered[count & INDEX] = length
            count += counts[(bucket if bucket < last else last) & INDEX]
        stretches[s, N_BEGIN] = first
        stretches[s, N_END] = count
    return count


@helper
def _choose(stretches: Columns, s: int, last: int, counts: Columns) -> None:
    """counts: 1 for each bucket with a wanted rank, else 0; the ranks become those among what these hold."""
    column = N_RANKS
    before = 0
    kept = 0
    for bucket in range(last + 1):
        held = counts[bucket]
        wanted = 0
        while column < NARROW_COLUMNS and stretches[s, column] < before + held:
            stretches[s, column] += kept - before
            column += 1
            wanted = 1
        before += held
        kept += held * wanted
        counts[bucket] = wanted


def rank(percent: int, count: int) -> int:
    """Index of the nearest rank: the ⌈percent · count ÷ 100⌉-th smallest, from 0; exact. Neither is 0."""
    return -(-percent * count // 100) - 1


def quantiles(lengths: NDArray[np.int64], *, compiled: bool) -> Quantiles | None:
    """Nearest ranks of ``lengths``, which are changed; None where there are none."""
    return quantiles_apart(lengths, [(0, len(lengths))], lengths, compiled=compiled)[0]


def quantiles_apart(
    lengths: NDArray[np.int64], stretches: list[Stretch], room: NDArray[np.int64], *, compiled: bool
) -> list[Quantiles | None]:
    """Nearest ranks of each of the stretches of ``lengths``; None where one is empty.

    ``lengths`` may be reordered within each stretch. ``room``, which is changed, has space for all of them; it may
    be ``lengths``, where these are not needed any more. The stretches are in ascending order.
    """
    filled = [(begin, end) for begin, end in stretches if end > begin]
    table = [[begin, end, *_ranks(end - begin)] for begin, end in filled]
    if compiled and sum(end - begin for begin, end in filled) >= LEAST_COUNTED:
        narrowed = np.array(table, np.int64)
        narrow(lengths, narrowed, np.empty(MOST_BUCKETS, np.int64), room, compiled=True)
        lengths, table = room, narrowed.tolist()
    found = iter([_selected(lengths[begin:end], ranks) for begin, end, *ranks in table])
    counts = [end - begin for begin, end in stretches]
    return [Quantiles(count, *next(found)) if count > 0 else None for count in counts]


def median(lengths: NDArray[np.int64]) -> int | None:
    """The nearest-rank median alone."""
    found = quantiles(lengths, compiled=False)
    return found.median if found else None


@functools.lru_cache(maxsize=256)  # polls of one period are about as many
def _ranks(count: int) -> tuple[int, ...]:
    return tuple(rank(percent, count) for percent in PERCENTS)


def _selected(lengths: NDArray[np.int64], ranks: list[int]) -> list[int]:
    """The lengths of these ranks; numpy's selection is linear in the worst case too."""
    if len(lengths) <= MOST_SORTED:
        lengths.sort()
    else:
        lengths.partition(ranks)
    chosen: list[int] = lengths[ranks].tolist()
    return chosen
