"""Messages of recorded captures as scapy.contrib.modbus decodes them, against mbsniff's message rows."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from scapy.contrib.modbus import ModbusADURequest, ModbusADUResponse

from mbsniff.capture import open_recording
from mbsniff.wire import rows as r
from mbsniff.wire.reader import MessageReader
from tests.oracle.frames import read_frames
from tests.oracle.layers import decode

FOLDER = Path(__file__).parents[1] / "samples"
SAMPLES = sorted(path for pattern in ("*.pcap", "*.pcapng", "*.gz") for path in FOLDER.glob(pattern))
OPEN_DATA = os.environ.get("MBSNIFF_OPEN_DATA")
OPEN_CAPTURE = [Path(OPEN_DATA) / "cset2016-six-units.pcap"] if OPEN_DATA else []

# scapy's names of the first address and of the quantity or value.
START = ("startAddr", "outputAddr", "registerAddr", "refAddr", "readStartingAddr", "FIFOPointerAddr")
QUANTITY = ("quantity", "quantityOutput", "quantityRegisters", "readQuantityRegisters")
VALUE = ("outputValue", "registerValue")

Key = tuple[Any, ...]


@pytest.mark.parametrize("path", [*SAMPLES, *OPEN_CAPTURE], ids=lambda path: path.name)
def test_every_message(path: Path) -> None:
    """Frame, identifier, unit, function, addresses, exception code, byte count: scapy's, of each message."""
    assert list(_by_mbsniff(path)) == list(_by_scapy(path))


def _by_mbsniff(path: Path) -> Iterator[Key]:
    messages = MessageReader(compiled=False)
    ordinal = 0
    with open_recording([str(path)]) as recording:
        for batch in recording.batches(False):
            for rows, _ in messages.feed(batch, ordinal):
                yield from (_key(row) for row in rows.tolist() if row[r.KIND] in (r.REQUEST, r.REPLY))
            ordinal += len(batch.rows)
    assert not list(messages.finish(0))
    assert messages.counters.skipped_bytes == 0


def _key(row: list[int]) -> Key:
    function = row[r.FUNCTION]
    single = function in (5, 6)
    fields = (
        row[r.START],
        -1 if single else row[r.QUANTITY],
        row[r.VALUE] if single else -1,
        row[r.DETAIL],
    )
    return row[r.FRAME], row[r.KIND] == r.REQUEST, row[r.IDENTIFIER], row[r.UNIT], function, *fields


def _by_scapy(path: Path) -> Iterator[Key]:
    seen: set[Key] = set()
    for ordinal, frame in enumerate(read_frames([path])):
        segment = decode(ordinal, frame)
        if segment is None or 502 not in (segment.source[1], segment.target[1]):
            continue
        is_request = segment.target[1] == 502
        sent = (segment.source, segment.target, segment.seq, segment.payload)
        payload = b"" if sent in seen else segment.payload
        seen.add(sent)
        while payload:
            message = (ModbusADURequest if is_request else ModbusADUResponse)(payload)
            size = 6 + message.len
            message = (ModbusADURequest if is_request else ModbusADUResponse)(payload[:size])
            payload = payload[size:]
            yield ordinal, is_request, message.transId, message.unitId, *_fields(message, is_request)


def _fields(message: Any, is_request: bool) -> tuple[int, ...]:
    pdu = message.payload
    found = {field.name: pdu.getfieldval(field.name) for field in pdu.fields_desc}

    def of(*names: str) -> int:
        return next((found[name] for name in names if name in found), -1)

    detail = -1 if is_request else of("exceptCode", "byteCount")
    return of("funcCode"), of(*START), of(*QUANTITY), of(*VALUE), detail
