"""The worked examples of the standard through the wire loop: every field of request and reply rows.

Source of the PDUs: MODBUS Application Protocol Specification V1.1b3 (2012), examples of sections 6.1 to 6.21.
"""

from typing import Any

import pytest

from tests.builders.adus import adu
from tests.builders.plant import Plant
from tests.builders.rows import rows_of

NONE: dict[str, Any] = {
    "start": -1, "quantity": -1, "write_start": -1, "write_quantity": -1, "detail": -1, "value": -1,
    "shape": "fits",
}  # fmt: skip


def fields(request: str, reply: str, **how: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    plant = Plant()
    connection = plant.connection().handshake()
    connection.ask(adu(0x1501, 0xFF, bytes.fromhex(request)))
    connection.answer(adu(0x1501, 0xFF, bytes.fromhex(reply)))
    found = rows_of(plant, **how).of("request", "reply")
    assert [row["identifier"] for row in found] == [0x1501, 0x1501]
    assert [row["unit"] for row in found] == [0xFF, 0xFF]
    return found[0], found[1]


EXAMPLES = [
    ("6.1", "01 0013 0013", "01 03 CD6B05", {"start": 0x13, "quantity": 0x13}, {"detail": 3}),
    ("6.2", "02 00C4 0016", "02 03 ACDB35", {"start": 0xC4, "quantity": 0x16}, {"detail": 3}),
    ("6.3", "03 006B 0003", "03 06 022B00000064", {"start": 0x6B, "quantity": 3}, {"detail": 6}),
    ("6.4", "04 0008 0001", "04 02 000A", {"start": 8, "quantity": 1}, {"detail": 2}),
    ("6.5", "05 00AC FF00", "05 00AC FF00", {"start": 0xAC, "quantity": 1, "value": 0xFF00},
     {"start": 0xAC, "quantity": 1, "value": 0xFF00}),
    ("6.6", "06 0001 0003", "06 0001 0003", {"start": 1, "quantity": 1, "value": 3},
     {"start": 1, "quantity": 1, "value": 3}),
    ("6.7", "07", "07 6D", {}, {}),
    ("6.8", "08 0000 A537", "08 0000 A537", {"start": 0}, {"start": 0}),
    ("6.9", "0B", "0B FFFF 0108", {}, {}),
    ("6.10", "0C", "0C 08 0000 0108 0121 20 00", {}, {"detail": 8}),
    ("6.11", "0F 0013 000A 02 CD01", "0F 0013 000A", {"start": 0x13, "quantity": 10, "value": b"\xcd\x01"},
     {"start": 0x13, "quantity": 10, "value": 10}),
    ("6.12", "10 0001 0002 04 000A 0102", "10 0001 0002",
     {"start": 1, "quantity": 2, "value": b"\x00\x0a\x01\x02"}, {"start": 1, "quantity": 2, "value": 2}),
    ("6.13", "11", "11 02 4D FF", {}, {"detail": 2}),
    ("6.14", "14 0E 06 0004 0001 0002 06 0003 0009 0002", "14 0C 05 06 0DFE 0020 05 06 33CD 0040",
     {"start": 1, "quantity": 4, "write_start": 4, "write_quantity": 2}, {"detail": 12}),
    ("6.15", "15 0D 06 0004 0007 0003 06AF 04BE 100D", "15 0D 06 0004 0007 0003 06AF 04BE 100D",
     {"start": 7, "quantity": 3, "write_start": 4, "write_quantity": 1,
      "value": bytes.fromhex("06 0004 0007 0003 06AF 04BE 100D")}, {"detail": 13}),
    ("6.16", "16 0004 00F2 0025", "16 0004 00F2 0025",
     {"start": 4, "quantity": 1, "value": b"\x00\xf2\x00\x25"}, {"start": 4, "quantity": 1}),
    ("6.17", "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "17 0C 00FE 0ACD 0001 0003 000D 00FF",
     {"start": 3, "quantity": 6, "write_start": 14, "write_quantity": 3, "value": b"\x00\xff" * 3},
     {"detail": 12}),
    ("6.18", "18 04DE", "18 0006 0002 01B8 1284", {"start": 0x4DE}, {}),
    ("6.21", "2B 0E 01 00", "2B 0E 01 01 00 00 01 00 03 414243",
     {"start": 14, "write_start": 1, "write_quantity": 0}, {}),
    ("7", "01 04A1 0001", "81 02", {"start": 0x4A1, "quantity": 1}, {"detail": 2}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("request_pdu", "reply_pdu", "asked", "replied"),
    [example[1:] for example in EXAMPLES],
    ids=[example[0] for example in EXAMPLES],
)
def test_examples_of_the_standard(
    request_pdu: str, reply_pdu: str, asked: dict[str, Any], replied: dict[str, Any]
) -> None:
    """Each worked example gives the fields that its section names."""
    request, reply = fields(request_pdu, reply_pdu)
    assert {name: request[name] for name in NONE} == NONE | asked
    assert {name: reply[name] for name in NONE} == NONE | replied
    assert (request["function"], reply["function"]) == (int(request_pdu[:2], 16), int(reply_pdu[:2], 16))


def test_examples_compiled() -> None:
    """The compiled loop gives the same fields of all examples."""
    for _, request, reply, _, _ in EXAMPLES:
        assert fields(request, reply, compiled=True) == fields(request, reply)


def test_example_of_the_header() -> None:
    """The example of Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3."""
    plant = Plant()
    plant.connection().ask(bytes.fromhex("1501 0000 0006 FF 03 0004 0001"))
    (request,) = rows_of(plant).of("request")
    names = ("identifier", "unit", "function", "start", "quantity")
    assert [request[name] for name in names] == [0x1501, 0xFF, 3, 4, 1]


MALFORMED = {
    "read with a byte too many": "03 0000 0001 00",
    "read without a quantity": "03 0000",
    "write of one with a byte too many": "06 0001 0003 00",
    "byte count is not twice the quantity": "10 0001 0002 02 000A",
    "byte count is not the length": "10 0001 0002 04 000A",
    "bits: one byte count too many": "0F 0013 0008 02 CD01",
    "read and write: byte count": "17 0003 0006 000E 0003 04 00FF 00FF",
    "mask without its second half": "16 0004 00F2",
    "queue address with a byte too many": "18 04DE 00",
    "data where there is none": "07 00",
    "identification without an object": "2B 0E 01",
    "file records: a group too short": "14 05 06 0004 0001",
    "file records: another reference type": "14 07 05 0004 0001 0002",
    "file records: byte count": "14 0E 06 0004 0001 0002",
}


@pytest.mark.parametrize("pdu", MALFORMED.values(), ids=MALFORMED)
def test_malformed_requests(pdu: str) -> None:
    """A request whose length does not fit its function has no addresses and no values."""
    request, _ = fields(pdu, "83 03")
    assert {name: request[name] for name in NONE} == NONE | {"shape": "malformed"}


@pytest.mark.parametrize(
    "pdu", ["03 06 0001", "83", "83 02 00", "06 0001", "10 0001 0002 00", "16 0004 00F2"]
)
def test_malformed_replies(pdu: str) -> None:
    """A reply's length is held against its byte count or its function."""
    assert fields("03 0000 0001", pdu)[1]["shape"] == "malformed"


@pytest.mark.parametrize("function", [0, 9, 65, 100, 127, 0x90])
def test_functions_without_a_format(function: int) -> None:
    """Private and unassigned functions are taken as they come, whatever their length."""
    request, _ = fields(f"{function:02x} 0102030405", "83 01")
    assert {name: request[name] for name in NONE} == NONE
    assert request["function"] == function
