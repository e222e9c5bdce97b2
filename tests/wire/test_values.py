"""Decoded PDUs against the standard's worked examples and against two independent libraries."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.wire.functions import FUNCTIONS
from mbsniff.wire.values import DeviceIdentification, EventLog, FileRecord, Pdu, read_reply, read_request


def pdu(text: str) -> bytes:
    return bytes.fromhex(text)


def bits_on(first: int, count: int, on: set[int]) -> tuple[bool, ...]:
    """Bits numbered from ``first`` as the standard's examples number them."""
    return tuple(number in on for number in range(first, first + count))


TWO_RECORDS = (FileRecord(4, 1, 2), FileRecord(3, 9, 2))

# MODBUS Application Protocol Specification V1.1b3, the example of each section of chapter 6:
# request, reply, what the request says, what the reply says.
EXAMPLES: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    (
        "01 0013 0013",
        "01 03 CD 6B 05",
        {"start": 19, "quantity": 19},
        {"values": bits_on(20, 19, {20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38})},
    ),
    (
        "02 00C4 0016",
        "02 03 AC DB 35",
        {"start": 196, "quantity": 22},
        {"values": bits_on(197, 22, {199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218})},
    ),
    (
        "03 006B 0003",
        "03 06 022B 0000 0064",
        {"start": 107, "quantity": 3},
        {"values": (555, 0, 100)},
    ),
    ("04 0008 0001", "04 02 000A", {"start": 8, "quantity": 1}, {"values": (10,)}),
    ("05 00AC FF00", "05 00AC FF00", {"start": 172, "quantity": 1, "values": (True,)}, {"values": (True,)}),
    ("06 0001 0003", "06 0001 0003", {"start": 1, "quantity": 1, "values": (3,)}, {"values": (3,)}),
    ("07", "07 6D", {}, {"values": (True, False, True, True, False, True, True, False)}),
    (
        "08 0000 A537",
        "08 0000 A537",
        {"sub_function": 0, "data": b"\xa5\x37"},
        {"sub_function": 0, "data": b"\xa5\x37"},
    ),
    ("0B", "0B FFFF 0108", {}, {"event_log": EventLog(True, 264)}),
    (
        "0C",
        "0C 08 0000 0108 0121 20 00",
        {},
        {"event_log": EventLog(False, 264, 289, (0x20, 0x00))},
    ),
    (
        "0F 0013 000A 02 CD01",
        "0F 0013 000A",
        {"start": 19, "quantity": 10, "values": bits_on(20, 10, {20, 22, 23, 26, 27, 28})},
        {"start": 19, "quantity": 10},
    ),
    (
        "10 0001 0002 04 000A 0102",
        "10 0001 0002",
        {"start": 1, "quantity": 2, "values": (10, 258)},
        {"start": 1, "quantity": 2},
    ),
    (
        "14 0E 06 0004 0001 0002 06 0003 0009 0002",
        "14 0C 05 06 0DFE 0020 05 06 33CD 0040",
        {"records": TWO_RECORDS},
        {"records": (FileRecord(4, 1, 2, (0x0DFE, 0x20)), FileRecord(3, 9, 2, (0x33CD, 0x40)))},
    ),
    (
        "15 0D 06 0004 0007 0003 06AF 04BE 100D",
        "15 0D 06 0004 0007 0003 06AF 04BE 100D",
        {"records": (FileRecord(4, 7, 3, (0x06AF, 0x04BE, 0x100D)),)},
        {"records": (FileRecord(4, 7, 3, (0x06AF, 0x04BE, 0x100D)),)},
    ),
    (
        "16 0004 00F2 0025",
        "16 0004 00F2 0025",
        {"start": 4, "quantity": 1, "and_mask": 0xF2, "or_mask": 0x25},
        {"start": 4, "and_mask": 0xF2, "or_mask": 0x25},
    ),
    (
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "17 0C 00FE 0ACD 0001 0003 000D 00FF",
        {"start": 3, "quantity": 6, "write_start": 14, "write_quantity": 3, "values": (255, 255, 255)},
        {"values": (254, 2765, 1, 3, 13, 255), "write_start": 14, "write_quantity": 3},
    ),
    ("18 04DE", "18 0006 0002 01B8 1284", {"start": 1246}, {"quantity": 2, "values": (440, 4740)}),
    # The example's object lengths are misprinted there (0D and 1C), so its texts are measured here.
    (
        "2B 0E 01 00",
        "2B 0E 01 01 00 00 03 00 16" + b"Company identification".hex() + "010F" + b"Product code XX".hex()
        + "0205" + b"V2.11".hex(),
        {"sub_function": 14, "identification": DeviceIdentification(1, 0)},
        {
            "identification": DeviceIdentification(
                1,
                None,
                1,
                False,
                ((0, b"Company identification"), (1, b"Product code XX"), (2, b"V2.11")),
            )
        },
    ),
    ("01 04A1 0001", "81 02", {"start": 1185, "quantity": 1}, {"exception": 2}),
]  # fmt: skip


@pytest.mark.parametrize(("request_text", "reply_text", "asked", "answered"), EXAMPLES)
def test_worked_examples(
    request_text: str, reply_text: str, asked: dict[str, Any], answered: dict[str, Any]
) -> None:
    """Each example of MODBUS Application Protocol Specification V1.1b3, chapter 6, reads as printed there."""
    request = read_request(pdu(request_text))
    reply = read_reply(pdu(reply_text), request)
    assert request == Pdu(function=int(request_text[:2], 16), is_reply=False, **asked)
    assert {name: getattr(reply, name) for name in answered} == answered
    assert (reply.function, reply.is_reply, reply.trouble) == (request.function, True, None)


def test_mask_of_the_worked_example() -> None:
    """Section 6.16: with these masks the register's 12 hex becomes 17 hex."""
    request = read_request(pdu("16 0004 00F2 0025"))
    assert request.and_mask is not None and request.or_mask is not None
    assert 0x12 & request.and_mask | request.or_mask & ~request.and_mask == 0x17


def test_every_public_function_has_an_example() -> None:
    """No function is left without a worked example, but for 17, whose reply each device shapes itself."""
    assert {int(request[:2], 16) for request, *_ in EXAMPLES} | {17} == set(FUNCTIONS)


def test_server_id_is_kept_as_sent() -> None:
    """Section 6.13: the content is specific to the device; here an identifier and FF for running."""
    assert read_request(b"\x11") == Pdu(function=17, is_reply=False)
    assert read_reply(pdu("11 03 41 42 FF")).server_id == b"AB\xff"


def test_private_functions_keep_their_data() -> None:
    """Section 5: user-defined codes, whose shape nobody else knows."""
    request = read_request(pdu("41 0102 03"))
    assert (request.name, request.data, request.trouble) == ("private function 65", b"\x01\x02\x03", None)
    assert read_reply(pdu("41 04"), request).data == b"\x04"
    assert read_request(pdu("2B 0D 0102")).data == b"\x01\x02"


def test_reply_without_its_request() -> None:
    """Whole bytes of bits, registers without a place."""
    assert read_reply(pdu("01 01 05")).values == (True, False, True, False, False, False, False, False)
    assert read_reply(pdu("14 04 03 06 0007")).records == (FileRecord(None, None, 1, (7,)),)
    registers = read_reply(pdu("03 04 0001 0002"))
    assert (registers.start, registers.quantity, registers.values) == (None, None, (1, 2))


@pytest.mark.parametrize(
    ("text", "trouble"),
    [
        ("", "the PDU is empty"),
        ("00 01", "function code 0 is not valid"),
        ("83 02", "function code 131 is reserved for exceptions"),
        ("03 006B 00", "ends within its quantity: 2 bytes are due there, 1 are left"),
        ("03 006B 0003 00", "1 bytes too many"),
        ("03 0000 007E", "quantity 126 is outside 1..125"),
        ("03 FFFF 0002", "addresses 65535..65536 reach past 65535"),
        ("05 0001 0001", "value 0001 is neither FF00 (on) nor 0000 (off)"),
        ("10 0001 0002 03 000A 01", "byte count 3 where 4 is due"),
        ("10 0001 0002 04 000A", "byte count 4, but 2 bytes follow"),
        ("14 07 05 0004 0001 0002", "reference type 5 where 6 is due"),
        ("14 00", "byte count 0 is outside 7..245"),
        ("17 0003 0006 000E 0000 00", "quantity to write 0 is outside 1..121"),
        ("2B 0E 05 00", "read code 5 is outside 1..4"),
        ("08 0000 A5", "1 bytes of diagnostic data where whole registers are due"),
    ],
)
def test_malformed_requests_say_what_is_wrong(text: str, trouble: str) -> None:
    """The first fault is named, and what could be read is kept."""
    assert read_request(pdu(text)).trouble == trouble


def test_what_could_be_read_is_kept() -> None:
    """A write cut short has its range and those values that are whole."""
    request = read_request(pdu("10 0001 0003 06 000A 0102 03"))
    assert (request.start, request.quantity, request.values) == (1, 3, (10, 258))
    assert request.trouble == "byte count 6, but 5 bytes follow"


@pytest.mark.parametrize(
    ("request_text", "reply_text", "trouble"),
    [
        ("03 0000 0003", "03 04 0001 0002", "byte count 4 where 6 is due"),
        ("03 0000 0001", "04 02 0001", "function 4 where the request has 3"),
        ("03 0000 0001", "83", "ends within its exception code: 1 bytes are due there, 0 are left"),
        ("06 0001 0003", "06 0002 0003", "start 2 where the request has 1"),
        ("06 0001 0003", "06 0001 0004", "other values than the request's"),
        ("10 0001 0001 02 0000", "10 0001 0002", "quantity 2 where the request has 1"),
        ("08 0000 A537", "08 0002 A537", "sub-function 2 where the request has 0"),
        ("18 04DE", "18 0006 0003 01B8 1284", "FIFO count 3, but 2 registers follow"),
        ("14 07 06 0004 0001 0002", "14 04 03 06 0DFE", "record's length 3 where 5 is due"),
        ("2B 0E 01 00", "2B 0E 01 01 00 00 02 00 01 41", "ends before its last object"),
        ("04 0000 0001", "04 03 0001 00", "byte count 3 where 2 is due"),
    ],
)
def test_malformed_replies_say_what_is_wrong(request_text: str, reply_text: str, trouble: str) -> None:
    """A reply is held against its request."""
    assert read_reply(pdu(reply_text), read_request(pdu(request_text))).trouble == trouble


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_arbitrary_bytes_never_raise(request_bytes: bytes, reply_bytes: bytes) -> None:
    """Whatever the bytes, something comes back, with or without a request."""
    request = read_request(request_bytes)
    for result in (request, read_reply(reply_bytes), read_reply(reply_bytes, request)):
        assert 0 <= result.function < 256 and isinstance(result.name, str)
        assert len(result.values) <= max(8 * len(request_bytes), 8 * len(reply_bytes))


@given(st.sampled_from(EXAMPLES), st.data())
def test_damaged_examples_never_raise(example: tuple[str, str, Any, Any], data: st.DataObject) -> None:
    """A reply cut short anywhere, or continued, is in trouble; only device-specific data may end anywhere."""
    whole = pdu(example[1])
    request = read_request(pdu(example[0]))
    cut = data.draw(st.integers(0, len(whole) - 1))
    assert read_reply(whole[:cut], request).trouble is not None
    assert read_reply(whole + b"\0", request).trouble is not None
