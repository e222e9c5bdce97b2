"""A frame's fingerprint in, whether the mirror port delivered that frame before out."""

from __future__ import annotations

from mbsniff.compiled import helper
from mbsniff.wire.load import Columns
from mbsniff.wire.state import COPY_NS, PRINT, PRINT_NS, PRINTS, SIDE_COLUMNS

_SPREAD = (1 << 31) - 1  # what stands beside the sequence number just fits in below


@helper
def print_of(sequence: int, checksum: int, identification: int, flags: int, size: int) -> int:
    """A segment's fingerprint, in [0, 2**63).

    The TCP checksum covers addresses, ports, numbers, flags, window, options and data; beside it stand
    15 bits of what else tells frames apart.
    """
    beside = (identification ^ flags << 8 ^ size) & 0x7FFF
    return sequence * _SPREAD + (checksum << 15 | beside)


@helper
def is_copy(c: int, side: int, mark: int, time_ns: int, state: Columns) -> bool:
    """Whether one of the side's last frames, each within COPY_NS of the next, has this fingerprint."""
    mine = side * SIDE_COLUMNS
    if -COPY_NS <= time_ns - state[c, mine + PRINT_NS] <= COPY_NS:
        for k in range(PRINTS):
            if mark == state[c, mine + PRINT + k]:
                return True
    return False


@helper
def remember_print(c: int, side: int, mark: int, time_ns: int, state: Columns) -> None:
    """The frame becomes the side's last one."""
    mine = side * SIDE_COLUMNS
    if -COPY_NS <= time_ns - state[c, mine + PRINT_NS] <= COPY_NS:
        for k in range(PRINTS - 1, 0, -1):
            state[c, mine + PRINT + k] = state[c, mine + PRINT + k - 1]
    else:
        for k in range(1, PRINTS):
            state[c, mine + PRINT + k] = -1
    state[c, mine + PRINT] = mark
    state[c, mine + PRINT_NS] = time_ns
