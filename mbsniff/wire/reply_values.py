"""A reader over a reply's PDU and the request in; its fields decoded into the reader, by a table of layouts.

Layouts are those of "MODBUS Application Protocol Specification V1.1b3", section 6, named at each.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from mbsniff.wire.functions import DEVICE_IDENTIFICATION, FUNCTIONS
from mbsniff.wire.request_values import (
    check_reference,
    diagnostics,
    mask_write,
    single_coil,
    single_register,
    write_records,
)
from mbsniff.wire.value_reader import ValueReader
from mbsniff.wire.value_types import DeviceIdentification, EventLog, FileRecord, Pdu

Layout = Callable[[ValueReader, Pdu | None], None]

BUSY = 0xFFFF  # 6.9, status word


def _bits(r: ValueReader, request: Pdu | None) -> None:
    """6.1, 6.2: byte count, bits; the last byte is filled up, so only the request tells how many count."""
    asked = request.quantity if request else None
    count = r.byte_count(None if asked is None else (asked + 7) // 8)
    _place(r, request)
    available = 8 * min(count, r.left)
    r.fields["values"] = r.bits(available if asked is None else min(asked, available), "values")


def _registers(r: ValueReader, request: Pdu | None) -> None:
    """6.3, 6.4, 6.17: byte count, registers."""
    asked = request.quantity if request else None
    count = r.byte_count(None if asked is None else 2 * asked)
    if count % 2:
        r.blame(f"byte count {count} where whole registers are due")
    _place(r, request)
    r.fields["values"] = r.registers(min(count, r.left) // 2, "values")


def _place(r: ValueReader, request: Pdu | None) -> None:
    """The range that the reply answers, which it does not bear itself."""
    if request:
        for name in ("start", "quantity", "write_start", "write_quantity"):
            r.fields[name] = getattr(request, name)


def _range_echo(r: ValueReader, request: Pdu | None) -> None:
    """6.11, 6.12: start, quantity."""
    r.fields["start"], r.fields["quantity"] = r.range(FUNCTIONS[r.pdu[0]].most_written)
    _check_echo(r, request)


def _echo(layout: Callable[[ValueReader], None]) -> Layout:
    """6.5, 6.6, 6.15, 6.16: what the request said, once more."""

    def read(r: ValueReader, request: Pdu | None) -> None:
        layout(r)
        _check_echo(r, request)
        for name in ("values", "and_mask", "or_mask", "records"):
            if request and r.fields.get(name, getattr(request, name)) != getattr(request, name):
                r.blame(f"other {name.replace('_', '-')} than the request's")

    return read


def _diagnostics(r: ValueReader, request: Pdu | None) -> None:
    """6.8: sub-function, data; what the data are depends on the sub-function."""
    diagnostics(r)
    _check_echo(r, request)


def _check_echo(r: ValueReader, request: Pdu | None) -> None:
    for name in ("start", "quantity", "sub_function"):
        asked = getattr(request, name, None)
        if asked is not None and r.fields.get(name) != asked:
            r.blame(f"{name.replace('_', '-')} {r.fields.get(name)} where the request has {asked}")


def _exception_status(r: ValueReader, request: Pdu | None) -> None:
    """6.7: eight outputs in a byte."""
    r.fields["values"] = r.bits(8, "status")


def _event_counter(r: ValueReader, request: Pdu | None) -> None:
    """6.9: status, event count."""
    r.fields["event_log"] = EventLog(r.word("status") == BUSY, r.word("event count"))


def _event_log(r: ValueReader, request: Pdu | None) -> None:
    """6.10: byte count, status, event count, message count, events."""
    r.byte_count()
    busy, events, messages = (r.word(what) for what in ("status", "event count", "message count"))
    r.fields["event_log"] = EventLog(busy == BUSY, events, messages, tuple(r.rest()))


def _server_id(r: ValueReader, request: Pdu | None) -> None:
    """6.13: byte count, then what the device likes, among it 00 or FF for stopped or running."""
    r.byte_count()
    r.fields["server_id"] = r.rest()


def _read_records(r: ValueReader, request: Pdu | None) -> None:
    """6.14: byte count, then groups of length, reference type, registers, in the order asked for."""
    r.byte_count()
    asked = request.records if request else ()
    while r.left:
        count = r.byte("record's length")
        check_reference(r)
        values = r.registers(max(count - 1, 0) // 2, "record data")
        done: tuple[FileRecord, ...] = r.fields.get("records", ())
        place = asked[len(done)] if len(done) < len(asked) else FileRecord(None, None, len(values))
        if place.length != len(values) or count % 2 == 0:
            r.blame(f"record's length {count} where {2 * place.length + 1} is due")
        r.fields["records"] = (*done, FileRecord(place.file, place.record, len(values), values))
    if asked and len(r.fields.get("records", ())) != len(asked):
        r.blame(f"{len(r.fields.get('records', ()))} records where {len(asked)} were asked for")


def _fifo(r: ValueReader, request: Pdu | None) -> None:
    """6.18: byte count and FIFO count of two bytes each, registers."""
    _place(r, request)
    count = r.word("byte count")
    if count != r.left:
        r.blame(f"byte count {count}, but {r.left} bytes follow")
    registers, most = r.word("FIFO count"), FUNCTIONS[24].most or 0
    if registers > most:
        r.blame(f"FIFO count {registers} is outside 0..{most}")
    r.fields["quantity"] = registers
    r.fields["values"] = r.registers(min(registers, r.left // 2), "values")
    if len(r.fields["values"]) < registers:
        r.blame(f"FIFO count {registers}, but {len(r.fields['values'])} registers follow")


def _interface(r: ValueReader, request: Pdu | None) -> None:
    """6.19: interface type, data; 6.21: read code, conformity, more follows, next object, objects."""
    kind = r.byte("interface type")
    r.fields["sub_function"] = kind
    _check_echo(r, request)
    if kind != DEVICE_IDENTIFICATION:
        r.fields["data"] = r.rest()
        return
    head = [r.byte(what) for what in ("read code", "conformity", "more follows", "next object")]
    objects: list[tuple[int, bytes]] = []
    for _ in range(r.byte("number of objects")):
        if not r.left:
            r.blame("ends before its last object")
            break
        objects.append((r.byte("object"), r.take(r.byte("object's length"), "object's value")))
        r.fields["identification"] = _identification(head, objects)
    r.fields["identification"] = _identification(head, objects)


def _identification(head: list[int], objects: list[tuple[int, bytes]]) -> DeviceIdentification:
    code, conformity, more, following = head
    return DeviceIdentification(code, following if more else None, conformity, bool(more), tuple(objects))


REPLIES: Final[dict[int, Layout]] = {
    1: _bits,
    2: _bits,
    3: _registers,
    4: _registers,
    5: _echo(single_coil),
    6: _echo(single_register),
    7: _exception_status,
    8: _diagnostics,
    11: _event_counter,
    12: _event_log,
    15: _range_echo,
    16: _range_echo,
    17: _server_id,
    20: _read_records,
    21: _echo(write_records),
    22: _echo(mask_write),
    23: _registers,
    24: _fifo,
    43: _interface,
}
