"""One PDU's bytes in, its fields out in a message row (MODBUS Application Protocol V1.1b3, section 6)."""

from __future__ import annotations

from mbsniff.compiled import helper, rare
from mbsniff.wire.load import Bytes, Columns, u16
from mbsniff.wire.rows import (
    CUT,
    DETAIL,
    MALFORMED,
    QUANTITY,
    SHAPE,
    START,
    VALUE,
    VALUE_BYTES,
    WRITE_QUANTITY,
    WRITE_START,
)


@helper
def request_fields(
    data: Bytes, at: int, seen: int, size: int, rows: Columns, row: int, values: Bytes, used: int
) -> int:
    """Fill a REQUEST row from the PDU at ``at``; written data go to ``values``; the value pool's new fill.

    ``size`` is the PDU's length on the wire, ``seen`` (at least 1) how much of it may be read.
    ``values`` has room for 256 bytes more.
    """
    function = data[at] & 0xFF
    if 1 <= function <= 6:  # 6.1 to 6.6
        if seen < 5:
            rows[row, SHAPE] = CUT if size >= 5 else MALFORMED
            return used
        rows[row, START] = u16(data, at + 1)
        if function <= 4:
            rows[row, QUANTITY] = u16(data, at + 3)
        else:
            rows[row, QUANTITY] = 1
            rows[row, VALUE] = u16(data, at + 3)
        if size != 5:
            rows[row, SHAPE] = MALFORMED
        return used
    if function == 16 or function == 15:  # 6.12, 6.11
        return _block_write(data, at, seen, size, rows, row, values, used)
    if function == 23:  # 6.17
        return _read_write(data, at, seen, size, rows, row, values, used)
    return _rare_request(data, at, seen, size, function, rows, row, values, used)


@helper
def _block_write(
    data: Bytes, at: int, seen: int, size: int, rows: Columns, row: int, values: Bytes, used: int
) -> int:
    if seen < 6:
        rows[row, SHAPE] = CUT if size >= 6 else MALFORMED
        return used
    quantity = u16(data, at + 3)
    count = data[at + 5] & 0xFF
    rows[row, START] = u16(data, at + 1)
    rows[row, QUANTITY] = quantity
    wanted = quantity * 2 if (data[at] & 0xFF) == 16 else (quantity + 7) // 8
    if size != 6 + count or count != wanted:
        rows[row, SHAPE] = MALFORMED
    return _written(data, at + 6, seen - 6, size - 6, rows, row, values, used)


@rare
def _read_write(
    data: Bytes, at: int, seen: int, size: int, rows: Columns, row: int, values: Bytes, used: int
) -> int:
    if seen < 10:
        rows[row, SHAPE] = CUT if size >= 10 else MALFORMED
        return used
    rows[row, START] = u16(data, at + 1)
    rows[row, QUANTITY] = u16(data, at + 3)
    rows[row, WRITE_START] = u16(data, at + 5)
    rows[row, WRITE_QUANTITY] = u16(data, at + 7)
    count = data[at + 9] & 0xFF
    if size != 10 + count or count != rows[row, WRITE_QUANTITY] * 2:
        rows[row, SHAPE] = MALFORMED
    return _written(data, at + 10, seen - 10, size - 10, rows, row, values, used)


@helper
def _written(
    data: Bytes, at: int, seen: int, size: int, rows: Columns, row: int, values: Bytes, used: int
) -> int:
    """Copy the written data; where the recorder cut them, what is left of them."""
    if seen < size and rows[row, SHAPE] != MALFORMED:
        rows[row, SHAPE] = CUT
    if seen <= 0:
        return used
    rows[row, VALUE] = used
    rows[row, VALUE_BYTES] = seen
    for k in range(seen):
        values[used + k] = data[at + k]
    return used + seen


@rare
def _rare_request(
    data: Bytes,
    at: int,
    seen: int,
    size: int,
    function: int,
    rows: Columns,
    row: int,
    values: Bytes,
    used: int,
) -> int:
    if function == 22:  # 6.16
        if seen >= 7:
            rows[row, START] = u16(data, at + 1)
            rows[row, QUANTITY] = 1
        _judge(rows, row, seen, size, 7)
        if seen >= 7:
            return _written(data, at + 3, 4, 4, rows, row, values, used)
    elif function == 24 or function == 8:  # 6.18: FIFO pointer address; 6.8: sub-function
        if seen >= 3:
            rows[row, START] = u16(data, at + 1)
        _judge(rows, row, seen, size, 3 if function == 24 else size)
    elif function == 43:  # 6.19 to 6.21: MEI type, then what it defines
        if seen >= 2:
            rows[row, START] = data[at + 1] & 0xFF
        if seen >= 4 and rows[row, START] == 14:
            rows[row, WRITE_START] = data[at + 2] & 0xFF
            rows[row, WRITE_QUANTITY] = data[at + 3] & 0xFF
        _judge(rows, row, seen, size, 4 if rows[row, START] == 14 else size)
    elif function == 20 or function == 21:  # 6.14, 6.15
        return _file_records(data, at, seen, size, function, rows, row, values, used)
    elif function == 7 or function == 11 or function == 12 or function == 17:  # 6.7, 6.9, 6.10, 6.13
        _judge(rows, row, seen, size, 1)
    return used


@helper
def _judge(rows: Columns, row: int, seen: int, size: int, wanted: int) -> None:
    """SHAPE of a PDU whose length must be ``wanted``."""
    if size != wanted:
        rows[row, SHAPE] = MALFORMED
    elif seen < size:
        rows[row, SHAPE] = CUT


@helper
def _file_records(
    data: Bytes,
    at: int,
    seen: int,
    size: int,
    function: int,
    rows: Columns,
    row: int,
    values: Bytes,
    used: int,
) -> int:
    """Groups of reference type 6, file, record, length; in a write each is followed by its data."""
    if seen >= 9:
        rows[row, START] = u16(data, at + 5)
        rows[row, WRITE_START] = u16(data, at + 3)
    if size < 2 or seen < size:
        rows[row, SHAPE] = MALFORMED if size < 2 else CUT
        return used
    whole = (data[at + 1] & 0xFF) == size - 2
    groups = 0
    registers = 0
    place = 2
    while place + 7 <= size and (data[at + place] & 0xFF) == 6:
        length = u16(data, at + place + 5)
        groups += 1
        registers += length
        place += 7 + (length * 2 if function == 21 else 0)
    if place != size or not whole:
        rows[row, SHAPE] = MALFORMED
    if groups > 0:
        rows[row, QUANTITY] = registers
        rows[row, WRITE_QUANTITY] = groups
    if function == 21:
        return _written(data, at + 2, size - 2, size - 2, rows, row, values, used)
    return used


@helper
def reply_fields(data: Bytes, at: int, seen: int, size: int, rows: Columns, row: int) -> None:
    """Fill a REPLY row from the PDU at ``at``: exception code, byte count, or what is echoed."""
    function = data[at] & 0xFF
    if function >= 0x80:  # section 7
        if seen >= 2:
            rows[row, DETAIL] = data[at + 1] & 0xFF
        _judge(rows, row, seen, size, 2)
    elif (
        function <= 4
        or function == 23
        or function == 20
        or function == 21
        or function == 17
        or function == 12
    ):
        if seen >= 2:
            rows[row, DETAIL] = data[at + 1] & 0xFF
            _judge(rows, row, size, size, 2 + (data[at + 1] & 0xFF))
        else:
            rows[row, SHAPE] = CUT if size >= 2 else MALFORMED
    elif function == 5 or function == 6 or function == 15 or function == 16:
        if seen >= 5:
            rows[row, START] = u16(data, at + 1)
            rows[row, QUANTITY] = 1 if function <= 6 else u16(data, at + 3)
            rows[row, VALUE] = u16(data, at + 3)
        _judge(rows, row, seen, size, 5)
    elif function == 22:
        if seen >= 3:
            rows[row, START] = u16(data, at + 1)
            rows[row, QUANTITY] = 1
        _judge(rows, row, seen, size, 7)
    elif function == 8 and seen >= 3:
        rows[row, START] = u16(data, at + 1)
