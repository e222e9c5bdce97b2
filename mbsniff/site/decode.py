"""Raw words of a declared register → its values in engineering units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mbsniff.site.register import Register

# MODBUS Application Protocol Specification V1.1b3, section 4.2: the high byte of a word comes first. The
# order of words is the device's own: the specification has no values longer than a word.
_WIRE = {"uint16": ">u2", "int16": ">i2", "uint32": ">u4", "int32": ">i4", "float32": ">f4"}


def decode(register: Register, words: Sequence[int]) -> tuple[float, ...]:
    """The register's values from its raw words (or bits), whole values only, in order of address.

    ``words`` begins at ``register.first``; what is missing at the end of it is not decoded.
    """
    whole = len(words) // register.words * register.words
    raw: NDArray[np.int64] = np.array(words[:whole], np.int64).reshape(1, whole)
    return tuple(decode_columns(register, raw)[0].tolist())


def decode_columns(register: Register, words: NDArray[np.int64]) -> NDArray[np.float64]:
    """Many readings of a register at once.

    ``words``: shape (readings, n × register.words), each from 0 to 65535 (bits: 0 or 1). Returned: shape
    (readings, n). A float that is not a number, or infinite, stays what it is.
    """
    readings, width = words.shape
    values = width // register.words
    if register.type == "bool":
        return np.asarray(words != 0, np.float64)
    parts = words.astype(">u2").reshape(readings, values, register.words)
    if register.word_order == "low-first":
        parts = parts[:, :, ::-1]
    raw = np.ascontiguousarray(parts).view(_WIRE[register.type]).reshape(readings, values)
    return _scaled(raw.astype(np.float64), register)


def _scaled(raw: NDArray[np.float64], register: Register) -> NDArray[np.float64]:
    """× scale + offset; a scale such as 0.1 divides by 10, so that 3 becomes 0.3 and not 0.30000000000000004."""
    divisor = round(1 / register.scale) if 0 < register.scale < 1 else 0
    exact = divisor and 1 / divisor == register.scale
    with np.errstate(over="ignore", invalid="ignore"):
        scaled: Any = raw / divisor if exact else raw * register.scale
        return np.asarray(scaled + register.offset, np.float64)
