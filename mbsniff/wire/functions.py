"""Function code or exception code in, its name, limits and section of the standard out: tables, no code.

Sections are those of "MODBUS Application Protocol Specification V1.1b3" (2012).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["read", "write", "both", "diagnostic"]
Unit = Literal["bits", "registers"]


@dataclass(frozen=True)
class Function:
    """A public function code.

    ``most`` and ``most_written`` are the greatest quantities of one request, counted in ``unit`` (a coil
    or discrete input is one bit); the least is 1. None where a request states no quantity.
    """

    name: str
    kind: Kind
    section: str
    unit: Unit | None = None
    most: int | None = None
    most_written: int | None = None
    serial_line_only: bool = False


FUNCTIONS: Final[dict[int, Function]] = {
    1: Function("read coils", "read", "6.1", "bits", most=2000),
    2: Function("read discrete inputs", "read", "6.2", "bits", most=2000),
    3: Function("read holding registers", "read", "6.3", "registers", most=125),
    4: Function("read input registers", "read", "6.4", "registers", most=125),
    5: Function("write single coil", "write", "6.5", "bits", most_written=1),
    6: Function("write single register", "write", "6.6", "registers", most_written=1),
    7: Function("read exception status", "diagnostic", "6.7", serial_line_only=True),
    8: Function("diagnostics", "diagnostic", "6.8", serial_line_only=True),
    11: Function("get comm event counter", "diagnostic", "6.9", serial_line_only=True),
    12: Function("get comm event log", "diagnostic", "6.10", serial_line_only=True),
    15: Function("write multiple coils", "write", "6.11", "bits", most_written=1968),
    16: Function("write multiple registers", "write", "6.12", "registers", most_written=123),
    17: Function("report server id", "diagnostic", "6.13", serial_line_only=True),
    20: Function("read file record", "read", "6.14", "registers"),
    21: Function("write file record", "write", "6.15", "registers"),
    22: Function("mask write register", "write", "6.16", "registers", most_written=1),
    23: Function("read/write multiple registers", "both", "6.17", "registers", most=125, most_written=121),
    24: Function("read FIFO queue", "read", "6.18", "registers", most=31),
    43: Function("encapsulated interface transport", "diagnostic", "6.19"),
}

# Section 5: codes that anybody may use for something of their own.
USER_DEFINED: Final = frozenset({*range(65, 73), *range(100, 111)})

# Section 7: a reply with this bit in its function code is an exception.
EXCEPTION_BIT: Final = 0x80


@dataclass(frozen=True)
class ExceptionCode:
    """An exception code: its name in the standard, and what it tells a technician."""

    name: str
    meaning: str


# Section 7. Code 7 is not in its table.
EXCEPTIONS: Final[dict[int, ExceptionCode]] = {
    1: ExceptionCode(
        "illegal function", "the device does not know this function code, or not in its present state"
    ),
    2: ExceptionCode(
        "illegal data address", "the device has no such address, or the block reaches past its last one"
    ),
    3: ExceptionCode(
        "illegal data value",
        "the request is built wrongly, often a block too long; not a setpoint out of range",
    ),
    4: ExceptionCode("server device failure", "the device failed while it carried out the request"),
    5: ExceptionCode("acknowledge", "the device has taken the request and will need long for it"),
    6: ExceptionCode(
        "server device busy", "the device is still at something else; ask again later, or less often"
    ),
    8: ExceptionCode("memory parity error", "the device found its extended memory damaged"),
    10: ExceptionCode("gateway path unavailable", "the gateway has no path to this unit, or is overloaded"),
    11: ExceptionCode(
        "gateway target device failed to respond", "the unit behind the gateway is silent: off, or cut off"
    ),
}

# Section 6.8.1, sub-functions of diagnostics.
DIAGNOSTICS: Final[dict[int, str]] = {
    0: "return query data",
    1: "restart communications option",
    2: "return diagnostic register",
    3: "change ASCII input delimiter",
    4: "force listen only mode",
    10: "clear counters and diagnostic register",
    11: "return bus message count",
    12: "return bus communication error count",
    13: "return bus exception error count",
    14: "return server message count",
    15: "return server no response count",
    16: "return server NAK count",
    17: "return server busy count",
    18: "return bus character overrun count",
    20: "clear overrun counter and flag",
}

# Section 6.19, types of encapsulated interface; sections 6.20 and 6.21.
INTERFACES: Final[dict[int, str]] = {13: "CANopen general reference", 14: "read device identification"}
DEVICE_IDENTIFICATION: Final = 14

# Section 6.21, objects of the device identification.
IDENTIFICATION: Final[dict[int, str]] = {
    0: "vendor name",
    1: "product code",
    2: "revision",
    3: "vendor URL",
    4: "product name",
    5: "model name",
    6: "user application name",
}


def function_name(code: int, sub_function: int | None = None) -> str:
    """A name for any function code, public or not; of 8 and 43 with what the sub-function is about."""
    if code not in FUNCTIONS:
        return f"private function {code}" if code in USER_DEFINED else f"unassigned function {code}"
    detail = {8: DIAGNOSTICS, 43: INTERFACES}.get(code, {}).get(-1 if sub_function is None else sub_function)
    return f"{FUNCTIONS[code].name}: {detail}" if detail else FUNCTIONS[code].name


def exception_name(code: int) -> str:
    """A name for any exception code, in the standard's table or not."""
    return EXCEPTIONS[code].name if code in EXCEPTIONS else f"exception code {code}"
