"""What a decoded PDU consists of: frozen values, None or empty where its function has no such part."""

from __future__ import annotations

from dataclasses import dataclass

from mbsniff.wire.functions import exception_name, function_name


@dataclass(frozen=True)
class FileRecord:
    """A group of functions 20 and 21: a run of registers in a file. A reply of function 20 names no place."""

    file: int | None
    record: int | None
    length: int
    """In registers."""
    values: tuple[int, ...] = ()


@dataclass(frozen=True)
class DeviceIdentification:
    """Function 43 with interface type 14: what was asked for, and in a reply the objects."""

    read_code: int
    """1 basic, 2 regular, 3 extended, 4 one object."""
    object_id: int | None = None
    """Asked for in a request; in a reply the one to go on with, if more follows."""
    conformity: int | None = None
    more_follows: bool = False
    objects: tuple[tuple[int, bytes], ...] = ()
    """(object, its value as sent), in the order sent."""


@dataclass(frozen=True)
class EventLog:
    """Functions 11 and 12: ``busy`` while an earlier command is being processed; newest event first."""

    busy: bool
    event_count: int
    message_count: int | None = None
    events: tuple[int, ...] = ()


@dataclass(frozen=True)
class Pdu:
    """One request or reply, decoded as far as its bytes allow.

    ``start`` counts addresses as they are on the wire, from 0. ``quantity`` counts bits or registers, as
    ``FUNCTIONS[function].unit`` says. A reply has ``start`` and ``quantity`` of the request that it was
    read with, where it does not bear them itself.
    """

    function: int
    """Without the exception bit; 0 of an empty PDU."""
    is_reply: bool
    start: int | None = None
    quantity: int | None = None
    write_start: int | None = None
    write_quantity: int | None = None
    values: tuple[int, ...] = ()
    """Coils and inputs as bool, registers as 0..65535; those written in a request, those read in a reply."""
    exception: int | None = None
    sub_function: int | None = None
    """Of diagnostics (8); the interface type of function 43."""
    records: tuple[FileRecord, ...] = ()
    and_mask: int | None = None
    or_mask: int | None = None
    identification: DeviceIdentification | None = None
    event_log: EventLog | None = None
    server_id: bytes | None = None
    data: bytes = b""
    """What has no finer shape: data of diagnostics, of other interface types and of private functions."""
    trouble: str | None = None
    """What is wrong with the PDU; the first fault found, None if none."""

    @property
    def name(self) -> str:
        """The function's name, for diagnostics and encapsulated interfaces with what they are about."""
        return function_name(self.function, self.sub_function)

    @property
    def exception_name(self) -> str | None:
        """The exception's name, None of anything else."""
        return None if self.exception is None else exception_name(self.exception)
