"""The bytes of one PDU in, its meaning out, for explanation and export; no bytes make it fail."""

from __future__ import annotations

from collections.abc import Callable

from mbsniff.wire.functions import EXCEPTION_BIT
from mbsniff.wire.reply_values import REPLIES
from mbsniff.wire.request_values import REQUESTS, private
from mbsniff.wire.value_reader import PduTooShortError, ValueReader
from mbsniff.wire.value_types import DeviceIdentification, EventLog, FileRecord, Pdu

__all__ = ["DeviceIdentification", "EventLog", "FileRecord", "Pdu", "read_reply", "read_request"]


def read_request(pdu: bytes) -> Pdu:
    """Decode a request: function code and data, without the MBAP header.

    What is malformed is decoded as far as it goes, and ``trouble`` says what is wrong.
    """
    reader = ValueReader(pdu)
    code = pdu[0] if pdu else 0
    if code & EXCEPTION_BIT:
        reader.blame(f"function code {code} is reserved for exceptions")
    return _decoded(reader, REQUESTS.get(code, private), code, is_reply=False)


def read_reply(pdu: bytes, request: Pdu | None = None) -> Pdu:
    """Decode a reply: function code and data, without the MBAP header.

    ``request`` is what it answers, as ``read_request`` returned it. Without it the reply of a read has
    no ``start``, and bits come in whole bytes, the last ones without meaning.
    """
    reader = ValueReader(pdu)
    code = pdu[0] & ~EXCEPTION_BIT if pdu else 0
    if request is not None and request.function != code:
        reader.blame(f"function {code} where the request has {request.function}")
        request = None
    if pdu and pdu[0] & EXCEPTION_BIT:
        return _decoded(reader, _exception, code, is_reply=True)
    layout = REPLIES.get(code)
    if layout is None:
        return _decoded(reader, private, code, is_reply=True)
    return _decoded(reader, lambda r: layout(r, request), code, is_reply=True)


def _exception(reader: ValueReader) -> None:
    """Section 7 of the MODBUS Application Protocol Specification V1.1b3: one byte, the exception code."""
    reader.fields["exception"] = reader.byte("exception code")


def _decoded(reader: ValueReader, layout: Callable[[ValueReader], None], code: int, *, is_reply: bool) -> Pdu:
    if code == 0:
        reader.blame("function code 0 is not valid" if reader.pdu else "the PDU is empty")
    try:
        layout(reader)
        reader.end()
    except PduTooShortError:
        pass
    return Pdu(function=code, is_reply=is_reply, **reader.fields, trouble=reader.trouble)
