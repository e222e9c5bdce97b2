"""A reader over a request's PDU in; its fields decoded into the reader, by a table of layouts.

Layouts are those of "MODBUS Application Protocol Specification V1.1b3", section 6, named at each.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from mbsniff.wire.functions import DEVICE_IDENTIFICATION, FUNCTIONS
from mbsniff.wire.value_reader import ValueReader
from mbsniff.wire.value_types import DeviceIdentification, FileRecord

Layout = Callable[[ValueReader], None]

COIL_ON, COIL_OFF = 0xFF00, 0x0000  # 6.5
RECORD_REFERENCE = 6  # 6.14
GROUPS_MOST_BYTES = 0xF5  # 6.14


def _read(r: ValueReader) -> None:
    """6.1 to 6.4: start, quantity."""
    r.fields["start"], r.fields["quantity"] = r.range(FUNCTIONS[r.pdu[0]].most)


def single_coil(r: ValueReader) -> None:
    """6.5, request and reply: address, FF00 or 0000."""
    _one_address(r)
    value = r.word("value")
    if value in (COIL_ON, COIL_OFF):
        r.fields["values"] = (value == COIL_ON,)
    else:
        r.fields["values"] = (value,)
        r.blame(f"value {value:04X} is neither FF00 (on) nor 0000 (off)")


def single_register(r: ValueReader) -> None:
    """6.6, request and reply: address, value."""
    _one_address(r)
    r.fields["values"] = (r.word("value"),)


def mask_write(r: ValueReader) -> None:
    """6.16, request and reply: address, and-mask, or-mask."""
    _one_address(r)
    r.fields["and_mask"], r.fields["or_mask"] = r.word("and-mask"), r.word("or-mask")


def _one_address(r: ValueReader) -> None:
    r.fields["start"] = r.word("address")
    r.fields["quantity"] = 1


def _coils(r: ValueReader) -> None:
    """6.11: start, quantity, byte count, bits."""
    r.fields["start"], quantity = r.range(FUNCTIONS[r.pdu[0]].most_written)
    r.fields["quantity"] = quantity
    r.byte_count((quantity + 7) // 8)
    r.fields["values"] = r.bits(min(quantity, 8 * r.left), "values")


def _registers(r: ValueReader) -> None:
    """6.12: start, quantity, byte count, registers."""
    r.fields["start"], quantity = r.range(FUNCTIONS[r.pdu[0]].most_written)
    r.fields["quantity"] = quantity
    _written_registers(r, quantity)


def _written_registers(r: ValueReader, quantity: int) -> None:
    r.byte_count(2 * quantity)
    r.fields["values"] = r.registers(min(quantity, r.left // 2), "values")


def _read_and_write(r: ValueReader) -> None:
    """6.17: read start and quantity, write start and quantity, byte count, registers to write."""
    r.fields["start"], r.fields["quantity"] = r.range(FUNCTIONS[r.pdu[0]].most)
    r.fields["write_start"], quantity = r.range(FUNCTIONS[r.pdu[0]].most_written, "quantity to write")
    r.fields["write_quantity"] = quantity
    _written_registers(r, quantity)


def diagnostics(r: ValueReader) -> None:
    """6.8, request and reply: sub-function, data."""
    r.fields["sub_function"] = r.word("sub-function")
    r.fields["data"] = r.rest()
    if not r.fields["data"] or len(r.fields["data"]) % 2:
        r.blame(f"{len(r.fields['data'])} bytes of diagnostic data where whole registers are due")


def _read_records(r: ValueReader) -> None:
    """6.14: byte count, then groups of reference type, file, record number, record length."""
    _groups(r, with_values=False)


def write_records(r: ValueReader) -> None:
    """6.15, request and reply: the same, each group followed by its registers."""
    _groups(r, with_values=True)


def _groups(r: ValueReader, *, with_values: bool) -> None:
    count = r.byte_count()
    if count > GROUPS_MOST_BYTES or not count:
        r.blame(f"byte count {count} is outside 7..{GROUPS_MOST_BYTES}")
    while r.left:
        check_reference(r)
        file, record, length = r.word("file number"), r.word("record number"), r.word("record length")
        values = r.registers(length, "record data") if with_values else ()
        r.fields["records"] = (*r.fields.get("records", ()), FileRecord(file, record, length, values))


def check_reference(r: ValueReader) -> None:
    """6.14: the only reference type is 6."""
    kind = r.byte("reference type")
    if kind != RECORD_REFERENCE:
        r.blame(f"reference type {kind} where {RECORD_REFERENCE} is due")


def _fifo(r: ValueReader) -> None:
    """6.18: address of the queue's pointer."""
    r.fields["start"] = r.word("address")


def _interface(r: ValueReader) -> None:
    """6.19: interface type, data; 6.21: for device identification, the read code and the object."""
    kind = r.byte("interface type")
    r.fields["sub_function"] = kind
    if kind != DEVICE_IDENTIFICATION:
        r.fields["data"] = r.rest()
        return
    code, object_id = r.byte("read code"), r.byte("object")
    r.fields["identification"] = DeviceIdentification(code, object_id)
    if not 1 <= code <= 4:
        r.blame(f"read code {code} is outside 1..4")


def _nothing(r: ValueReader) -> None:
    """6.7, 6.9, 6.10, 6.13: the function code alone."""


def private(r: ValueReader) -> None:
    """Section 5: the shape of user-defined functions is known to their owners only."""
    r.fields["data"] = r.rest()


REQUESTS: Final[dict[int, Layout]] = {
    1: _read,
    2: _read,
    3: _read,
    4: _read,
    5: single_coil,
    6: single_register,
    7: _nothing,
    8: diagnostics,
    11: _nothing,
    12: _nothing,
    15: _coils,
    16: _registers,
    17: _nothing,
    20: _read_records,
    21: write_records,
    22: mask_write,
    23: _read_and_write,
    24: _fifo,
    43: _interface,
}
