"""Requests and replies that pymodbus encodes, or scapy builds, decoded back to what went in."""

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu import ModbusPDU, bit_message, diag_message, file_message, mei_message, other_message
from pymodbus.pdu import register_message as registers_of
from pymodbus.pdu.exceptionresponse import ExceptionResponse

from mbsniff.wire.values import DeviceIdentification, EventLog, FileRecord, Pdu, read_reply, read_request

WORDS = st.integers(0, 0xFFFF)
STARTS = st.integers(0, 60000)
REGISTERS = st.lists(WORDS, min_size=1, max_size=121)
BITS = st.lists(st.booleans(), min_size=1, max_size=1968)


def encoded(message: ModbusPDU) -> bytes:
    return bytes([message.function_code]) + message.encode()


def asked(message: ModbusPDU) -> Pdu:
    request = read_request(encoded(message))
    assert request.trouble is None
    return request


def answered(message: ModbusPDU, request: Pdu | None = None) -> Pdu:
    reply = read_reply(encoded(message), request)
    assert reply.trouble is None
    return reply


@given(STARTS, BITS)
def test_reading_bits(start: int, bits: list[bool]) -> None:
    """Functions 1 and 2: range asked for, bits answered."""
    for request_class, reply_class in (
        (bit_message.ReadCoilsRequest, bit_message.ReadCoilsResponse),
        (bit_message.ReadDiscreteInputsRequest, bit_message.ReadDiscreteInputsResponse),
    ):
        request = asked(request_class(address=start, count=len(bits)))
        assert (request.start, request.quantity) == (start, len(bits))
        assert answered(reply_class(bits=bits), request).values == tuple(bits)


@given(STARTS, REGISTERS)
def test_reading_registers(start: int, registers: list[int]) -> None:
    """Functions 3 and 4: range asked for, registers answered, placed where they were asked for."""
    for request_class, reply_class in (
        (registers_of.ReadHoldingRegistersRequest, registers_of.ReadHoldingRegistersResponse),
        (registers_of.ReadInputRegistersRequest, registers_of.ReadInputRegistersResponse),
    ):
        request = asked(request_class(address=start, count=len(registers)))
        reply = answered(reply_class(registers=registers), request)
        assert (reply.start, reply.quantity, reply.values) == (start, len(registers), tuple(registers))


@given(STARTS, BITS, REGISTERS)
def test_writing(start: int, bits: list[bool], registers: list[int]) -> None:
    """Functions 5, 6, 15 and 16, requests and replies."""
    cases: Sequence[tuple[Any, Any, tuple[int, ...]]] = [
        (
            bit_message.WriteSingleCoilRequest(address=start, bits=bits[:1]),
            bit_message.WriteSingleCoilResponse(address=start, bits=bits[:1]),
            tuple(bits[:1]),
        ),
        (
            registers_of.WriteSingleRegisterRequest(address=start, registers=registers[:1]),
            registers_of.WriteSingleRegisterResponse(address=start, registers=registers[:1]),
            tuple(registers[:1]),
        ),
        (
            bit_message.WriteMultipleCoilsRequest(address=start, bits=bits),
            bit_message.WriteMultipleCoilsResponse(address=start, count=len(bits)),
            tuple(bits),
        ),
        (
            registers_of.WriteMultipleRegistersRequest(address=start, registers=registers),
            registers_of.WriteMultipleRegistersResponse(address=start, count=len(registers)),
            tuple(registers),
        ),
    ]
    for message, echo, values in cases:
        request = asked(message)
        assert (request.start, request.quantity, request.values) == (start, len(values), values)
        reply = answered(echo, request)
        assert (reply.start, reply.quantity) == (start, len(values))


@given(STARTS, st.integers(1, 125), STARTS, REGISTERS)
def test_reading_and_writing(start: int, count: int, write_start: int, registers: list[int]) -> None:
    """Function 23: both ranges and what is written."""
    request = asked(registers_of.ReadWriteMultipleRegistersRequest(start, count, write_start, registers))
    assert (request.start, request.quantity) == (start, count)
    assert (request.write_start, request.write_quantity) == (write_start, len(registers))
    assert request.values == tuple(registers)


@given(WORDS, WORDS, WORDS)
def test_masking(start: int, and_mask: int, or_mask: int) -> None:
    """Function 22."""
    request = asked(registers_of.MaskWriteRegisterRequest(start, and_mask, or_mask))
    assert (request.start, request.and_mask, request.or_mask) == (start, and_mask, or_mask)
    assert answered(registers_of.MaskWriteRegisterResponse(start, and_mask, or_mask), request).start == start


@given(st.lists(st.tuples(WORDS, WORDS, st.lists(WORDS, min_size=1, max_size=20)), min_size=1, max_size=5))
def test_file_records(records: list[tuple[int, int, list[int]]]) -> None:
    """Functions 20 and 21: each group's place, and its registers where they are."""
    ours = tuple(FileRecord(file, number, len(data), tuple(data)) for file, number, data in records)
    theirs = [
        file_message.FileRecord(file, number, b"".join(v.to_bytes(2, "big") for v in data))
        for file, number, data in records
    ]
    bare = tuple(FileRecord(r.file, r.record, r.length) for r in ours)
    request = asked(file_message.ReadFileRecordRequest(theirs))
    assert request.records == bare
    assert answered(file_message.ReadFileRecordResponse(theirs), request).records == ours
    assert asked(file_message.WriteFileRecordRequest(theirs)).records == ours
    assert answered(file_message.WriteFileRecordResponse(theirs)).records == ours


@given(WORDS, st.lists(WORDS, max_size=31))
def test_fifo(address: int, queue: list[int]) -> None:
    """Function 24."""
    request = asked(file_message.ReadFifoQueueRequest(address))
    reply = answered(file_message.ReadFifoQueueResponse(queue), request)
    assert (reply.start, reply.quantity, reply.values) == (address, len(queue), tuple(queue))


@given(WORDS, WORDS, st.lists(st.integers(0, 255), max_size=64), st.booleans())
def test_events(events: int, messages: int, log: list[int], ready: bool) -> None:
    """Functions 11 and 12: busy where it is not ready, counts, events."""
    reply = answered(other_message.GetCommEventLogResponse(ready, messages, events, log))
    assert reply.event_log == EventLog(not ready, events, messages, tuple(log))
    counter = answered(other_message.GetCommEventCounterResponse(count=events, status=int(ready)))
    assert counter.event_log == EventLog(not ready, events)


@given(st.lists(WORDS, min_size=1, max_size=100))
def test_diagnostics(data: list[int]) -> None:
    """Function 8, returned as sent."""
    request = asked(diag_message.ReturnQueryDataRequest(data))
    assert (request.sub_function, request.name) == (0, "diagnostics: return query data")
    assert request.data == b"".join(value.to_bytes(2, "big") for value in data)
    assert answered(diag_message.ReturnQueryDataResponse(data), request).data == request.data


@given(st.dictionaries(st.integers(0, 255), st.binary(max_size=40), max_size=12))
def test_device_identification(objects: dict[int, bytes]) -> None:
    """Function 43 with type 14; where not all fits, the object to go on with."""
    request = asked(mei_message.ReadDeviceInformationRequest(read_code=3, object_id=0))
    assert request.identification == DeviceIdentification(3, 0)
    message = mei_message.ReadDeviceInformationResponse(read_code=3, information=objects)
    identification = answered(message, request).identification
    assert identification is not None
    assert identification.objects == tuple(objects.items())[: message.number_of_objects]
    assert identification.more_follows == (len(identification.objects) < len(objects))
    if identification.more_follows:
        assert identification.object_id == tuple(objects)[message.number_of_objects]


@given(st.integers(1, 127), st.integers(0, 255))
def test_exceptions(function: int, code: int) -> None:
    """Any function may be answered by any exception."""
    reply = answered(ExceptionResponse(function, code))
    assert (reply.function, reply.exception, reply.values) == (function, code, ())


def test_status_and_server_id() -> None:
    """Functions 7 and 17."""
    assert answered(other_message.ReadExceptionStatusResponse(status=0x6D)).values[:3] == (True, False, True)
    reply = answered(other_message.ReportDeviceIdResponse(b"oven zone 3", True))
    assert reply.server_id == b"oven zone 3\xff"


@pytest.mark.parametrize(
    ("text", "field", "ours"),
    [
        ("03006b0003", "quantity", "quantity"),
        ("05 00ac ff00", "outputAddr", "start"),
        ("0f 0013 000a 02 cd01", "quantityOutput", "quantity"),
        ("10 0001 0002 04 000a 0102", "outputsValue", "values"),
        ("16 0004 00f2 0025", "orMask", "or_mask"),
        ("17 0003 0006 000e 0003 06 00ff 00ff 00ff", "writeStartingAddr", "write_start"),
        ("18 04de", "FIFOPointerAddr", "start"),
        ("08 0000 a537", "subFunc", "sub_function"),
    ],
)
def test_requests_as_scapy_decodes_them(text: str, field: str, ours: str) -> None:
    """Fields by name, against scapy.contrib.modbus."""
    from scapy.contrib.modbus import ModbusADURequest

    pdu = bytes.fromhex(text)
    header = (1).to_bytes(2, "big") + bytes(2) + (len(pdu) + 1).to_bytes(2, "big") + b"\x01"
    theirs = getattr(ModbusADURequest(header + pdu).payload, field)
    value = getattr(read_request(pdu), ours)
    assert (list(value) if isinstance(theirs, list) else value) == theirs
