"""Frames of the serial line: CRC and length, held against published values and pymodbus."""

import random

import pytest
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU

from mbsniff.wire.rows import CLIENT, SERVER
from mbsniff.wire.rtu import BY_SEGMENT, LONGEST, MORE, NONE, crc_16, is_sound, rtu_length
from tests.builders.adus import FUNCTIONS, pdus
from tests.builders.serial import rtu

# Worked examples of MODBUS Application Protocol V1.1b3, section 6: request and reply PDUs.
EXAMPLES = {
    1: ("0100130013", "0103CD6B05"),
    2: ("0200C40016", "0203ACDB35"),
    3: ("03006B0003", "0306022B00000064"),
    4: ("0400080001", "0402000A"),
    5: ("0500ACFF00", "0500ACFF00"),
    6: ("0600010003", "0600010003"),
    7: ("07", "076D"),
    8: ("080000A537", "080000A537"),
    11: ("0B", "0BFFFF0108"),
    12: ("0C", "0C080000010801212000"),
    15: ("0F0013000A02CD01", "0F0013000A"),
    16: ("100001000204000A0102", "1000010002"),
    20: ("140E0600040001000206000300090002", "140C05060DFE0020050633CD0040"),
    21: ("150D06000400070003" + "06AF04BE100D", "150D0600040007000306AF04BE100D"),
    22: ("16000400F20025", "16000400F20025"),
    23: ("1700030006000E00030600FF00FF00FF", "170C00FE0ACD00010003000D00FF"),
    24: ("1804DE", "180006000201B81284"),
    43: ("2B0E0100", "2B0E010100000300" + "0141" + "010142" + "02024344"),
}


def test_crc_of_the_check_string() -> None:
    """The CRC of "123456789" is 4B37: the check value of CRC-16/MODBUS in the catalogues of parametrised CRCs."""
    assert crc_16(memoryview(b"123456789"), 0, 9) == 0x4B37


def test_crc_of_the_standards_example() -> None:
    """Bytes 02 07 have the CRC 41 12, low byte first (MODBUS over Serial Line V1.02, 6.2.2)."""
    assert is_sound(memoryview(bytes.fromhex("02074112")), 0, 4)


def test_crc_equals_that_of_pymodbus() -> None:
    """Whatever the bytes."""
    drawn = random.Random(28)
    for _ in range(300):
        data = drawn.randbytes(drawn.randint(1, 254))
        expected = FramerRTU.compute_CRC(data)
        assert crc_16(memoryview(data), 0, len(data)).to_bytes(2, "little") == expected.to_bytes(2, "big")


@pytest.mark.parametrize("side", [CLIENT, SERVER])
@pytest.mark.parametrize("function", EXAMPLES)
def test_length_of_the_worked_examples(function: int, side: int) -> None:
    """The length follows from the first bytes, and is never told too early: MORE until its count is there."""
    frame = memoryview(rtu(1, bytes.fromhex(EXAMPLES[function][side])))
    told = [rtu_length(frame, 0, seen, side) for seen in range(len(frame) + 1)]
    assert set(told) == {MORE, len(frame)}
    assert told == sorted(told)


def test_length_of_an_exception() -> None:
    """Unit, function with bit 7, code, CRC (V1.1b3, 7); no request has that bit."""
    frame = memoryview(rtu(1, b"\x81\x02"))
    assert rtu_length(frame, 0, 2, SERVER) == 5 == len(frame)
    assert rtu_length(frame, 0, 2, CLIENT) == NONE


def test_frames_without_a_length_of_their_own() -> None:
    """Private functions state none; nothing is longer than 256 bytes; there is no function 0."""
    assert rtu_length(memoryview(b"\x01\x41\x00\x00"), 0, 4, CLIENT) == BY_SEGMENT
    assert rtu_length(memoryview(b"\x01\x00\x00\x00"), 0, 4, SERVER) == NONE
    assert rtu_length(memoryview(b"\x01\x03\xff\x00"), 0, 4, SERVER) == NONE
    assert rtu_length(memoryview(b"\x01\x03\xfb\x00"), 0, 4, SERVER) == LONGEST


@pytest.mark.parametrize("function", [f for f in FUNCTIONS if f in (1, 2, 3, 4, 5, 6, 15, 16, 22, 23)])
@pytest.mark.parametrize("side", [CLIENT, SERVER])
def test_frames_that_pymodbus_builds(function: int, side: int) -> None:
    """A frame that pymodbus builds of a PDU is sound, and as long as told."""
    pdu = pdus(function, 7, 3, 5)[side]
    decoded = DecodePDU(is_server=side == CLIENT).decode(pdu)
    assert decoded is not None
    decoded.dev_id = 9
    frame = FramerRTU(DecodePDU(is_server=side == CLIENT)).buildFrame(decoded)
    assert frame == rtu(9, pdu)
    assert rtu_length(memoryview(frame), 0, len(frame), side) == len(frame)
    assert is_sound(memoryview(frame), 0, len(frame))
