"""An interface's options in, its row of the interface table out; with it, time stamps become nanoseconds.

draft-ietf-opsawg-pcapng, section 4.2: if_tsresol 10^-n or 2^-n, if_tsoffset seconds to add.
All arithmetic is exact (rounded down once) and stays inside [0, 2^63).
"""

from __future__ import annotations

from typing import Any

from mbsniff.compiled import helper

# Columns of the interface table.
LINK = 0
SNAPLEN = 1  # 0: unlimited
KIND = 2
FACTOR = 3  # MULTIPLY: nanoseconds a tick; DIVIDE: ticks a nanosecond; SHIFT: n of 2^-n
FACTOR_2 = 4  # DIVIDE: divided by this as well
LIMIT = 5  # MULTIPLY: the most ticks that stay below 2^63 ns; -1 for none
LATER_NS = 6  # to add: if_tsoffset above 0
EARLIER_NS = 7  # to subtract: if_tsoffset below 0
INTERFACE_COLUMNS = 8

MULTIPLY = 0
DIVIDE = 1
SHIFT = 2

NS_PER_S = 1_000_000_000
LAST_NS = (1 << 63) - 1
_NS_DIGITS = 9
_DEFAULT_RESOLUTION = 6  # section 4.2: 10^-6 where if_tsresol is absent
_BINARY_RESOLUTION = 0x80  # section 4.2: the top bit of if_tsresol


def interface_row(link: int, snaplen: int, resolution: int | None = None, offset_s: int = 0) -> list[int]:
    """The interface table's row (INTERFACE_COLUMNS integers) for if_tsresol and if_tsoffset as given."""
    resolution = _DEFAULT_RESOLUTION if resolution is None else resolution
    digits = resolution & ~_BINARY_RESOLUTION
    if resolution & _BINARY_RESOLUTION:
        scale = [SHIFT, digits, 1, 0]
    elif digits <= _NS_DIGITS:
        factor = 10 ** (_NS_DIGITS - digits)
        scale = [MULTIPLY, factor, 1, LAST_NS // factor]
    else:
        # Two divisors of at most 9 and 18 digits: more digits leave 0 of any 64-bit number all the same.
        first, second = min(digits - 9, 9), min(max(digits - 18, 0), 18)
        scale = [DIVIDE, 10**first, 10**second, 0]
    if abs(offset_s) * NS_PER_S > LAST_NS:  # no time survives it, and no column can hold it
        scale, offset_s = [MULTIPLY, 1, 1, -1], 0
    return [link, snaplen, *scale, max(offset_s, 0) * NS_PER_S, max(-offset_s, 0) * NS_PER_S]


@helper
def time_ns(high: int, low: int, interfaces: Any, interface: int) -> int:
    """Nanoseconds since the epoch for ticks of two 32-bit words, or -1 if outside [0, 2^63)."""
    kind, factor = interfaces[interface, KIND], interfaces[interface, FACTOR]
    value: int = -1
    if kind == MULTIPLY:
        if high < 1 << 31 and high << 32 | low <= interfaces[interface, LIMIT]:
            value = (high << 32 | low) * factor
    elif kind == DIVIDE:
        value = divided(high, low, factor) // interfaces[interface, FACTOR_2]
    else:
        value = shifted(high, low, factor)
    if value < 0 or value > LAST_NS - interfaces[interface, LATER_NS]:
        return -1
    value += interfaces[interface, LATER_NS]
    if value < interfaces[interface, EARLIER_NS]:
        return -1
    value -= interfaces[interface, EARLIER_NS]
    return value


@helper
def divided(high: int, low: int, divisor: int) -> int:
    """The 64-bit number of two words ÷ a divisor in 10..10^9: long division, one word after the other."""
    first = high // divisor
    return (first << 32) + ((high - first * divisor) << 32 | low) // divisor


@helper
def shifted(high: int, low: int, bits: int) -> int:
    """The 64-bit number of two words times 10^9, ÷ 2^bits, or -1 where that is not below 2^63."""
    product = low * NS_PER_S
    upper = high * NS_PER_S + (product >> 32)  # the 96-bit product is upper, lower
    lower = product & 0xFFFFFFFF
    if bits >= 32 + 63:  # upper is below 2^63
        return 0
    if bits >= 32:
        return upper >> (bits - 32)
    if upper > LAST_NS >> (32 - bits):
        return -1
    return upper << (32 - bits) | lower >> bits
