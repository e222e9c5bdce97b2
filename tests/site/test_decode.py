"""Raw words to engineering values, held against struct and pymodbus's converter."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from mbsniff.site import DataType, Register, decode, decode_columns

FORMATS: dict[DataType, str] = {
    "uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f"
}  # fmt: skip
WORDS = st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2)


def same(found: float, expected: float) -> bool:
    """Equal, or neither is a number."""
    return found == expected or (math.isnan(found) and math.isnan(expected))


@given(WORDS, st.sampled_from(list(FORMATS)), st.booleans())
def test_every_type_against_struct(words: list[int], kind: DataType, swapped: bool) -> None:
    """The same bits as the standard library reads them, in both word orders."""
    register = Register("x", type=kind, count=2, word_order="low-first" if swapped else "high-first")
    width = register.words
    packed = [struct.pack(">H", word) for word in words]
    parts = [packed[:1], packed[1:]] if width == 1 else [packed[::-1] if swapped else packed]
    expected = [struct.unpack(f">{FORMATS[kind]}", b"".join(part))[0] for part in parts]
    found = decode(register, words)
    assert len(found) == len(expected)
    assert all(same(a, b) for a, b in zip(found, expected, strict=True))


@given(WORDS, st.sampled_from(["uint32", "int32", "float32"]), st.booleans())
def test_values_of_32_bits_against_pymodbus(words: list[int], kind: DataType, swapped: bool) -> None:
    """pymodbus's converter calls the orders big and little."""
    theirs = ModbusClientMixin.convert_from_registers(
        words,
        ModbusClientMixin.DATATYPE[kind.upper()],
        word_order="little" if swapped else "big",
    )
    register = Register("x", type=kind, count=2, word_order="low-first" if swapped else "high-first")
    assert isinstance(theirs, int | float)
    assert same(decode(register, words)[0], theirs)


def test_known_bits() -> None:
    """IEEE 754: 4049 0FDB is the float nearest to pi; two's complement: FFFF FFFE is -2."""
    assert decode(Register("x", type="float32", count=2), [0x4049, 0x0FDB])[0] == pytest.approx(
        math.pi, abs=1e-7
    )
    assert decode(Register("x", type="int32", count=2), [0xFFFF, 0xFFFE]) == (-2.0,)
    assert decode(Register("x", type="bool"), [0]) == (0.0,)
    assert decode(Register("x", table="coil", type="bool", count=3), [1, 0, 1]) == (1.0, 0.0, 1.0)


def test_scale_and_offset() -> None:
    """Engineering value = raw × scale + offset; tenths come out as they are written."""
    assert decode(Register("x", scale=0.1), [3]) == (0.3,)
    assert decode(Register("x", scale=0.1, count=3), [2500, 1, 65535]) == (250.0, 0.1, 6553.5)
    assert decode(Register("x", scale=-2.5, offset=10), [4]) == (0.0,)
    assert decode(Register("x", type="int16", scale=0.5, offset=-40), [0xFFFF]) == (-40.5,)


@given(st.integers(0, 0xFFFF), st.integers(1, 6))
def test_decimal_scales_are_exact(raw: int, places: int) -> None:
    """A scale of 0.1, 0.01 and so on gives the float nearest to the decimal fraction."""
    assert decode(Register("x", scale=float(f"1e-{places}")), [raw]) == (float(f"{raw}e-{places}"),)


def test_half_a_value_is_not_decoded() -> None:
    """Words that the reply lacks are no value."""
    wide = Register("x", type="uint32", count=4)
    assert decode(wide, [0, 1, 2]) == (1.0,)
    assert decode(wide, []) == ()


def test_many_readings_at_once() -> None:
    """Shape (readings, words) in, (readings, values) out, as one by one."""
    wide = Register("x", type="float32", count=4, word_order="low-first", scale=10)
    words = np.array([[0, 0x3F80, 0, 0x4000], [0, 0xBF80, 0, 0]], np.int64)
    assert decode_columns(wide, words).tolist() == [[10.0, 20.0], [-10.0, 0.0]]
    assert decode_columns(wide, words[:0]).shape == (0, 2)
