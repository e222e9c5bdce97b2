"""The tables of function and exception codes against the standard's limits and an independent library."""

import pytest

from mbsniff.wire.functions import (
    DIAGNOSTICS,
    EXCEPTIONS,
    FUNCTIONS,
    IDENTIFICATION,
    exception_name,
    function_name,
)

PUBLIC = {1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43}


def test_every_public_function_is_there() -> None:
    """The public codes of MODBUS Application Protocol Specification V1.1b3, section 5.1, and no others."""
    assert set(FUNCTIONS) == PUBLIC


@pytest.mark.parametrize(
    ("code", "unit", "most", "most_written"),
    [
        (1, "bits", 2000, None),
        (2, "bits", 2000, None),
        (3, "registers", 125, None),
        (4, "registers", 125, None),
        (15, "bits", None, 1968),
        (16, "registers", None, 123),
        (23, "registers", 125, 121),
        (24, "registers", 31, None),
    ],
)
def test_limits(code: int, unit: str, most: int | None, most_written: int | None) -> None:
    """Quantities as MODBUS Application Protocol Specification V1.1b3 limits them, sections 6.1 to 6.18."""
    function = FUNCTIONS[code]
    assert (function.unit, function.most, function.most_written) == (unit, most, most_written)


def test_reads_and_writes() -> None:
    """Function 23 is both; what is neither read nor written is diagnostic."""
    kinds = {code: function.kind for code, function in FUNCTIONS.items()}
    assert {code for code, kind in kinds.items() if kind == "read"} == {1, 2, 3, 4, 20, 24}
    assert {code for code, kind in kinds.items() if kind == "write"} == {5, 6, 15, 16, 21, 22}
    assert {code for code, kind in kinds.items() if kind == "both"} == {23}


def test_serial_line_only() -> None:
    """Sections 6.7 to 6.10 and 6.13 are for serial lines only."""
    assert {code for code, function in FUNCTIONS.items() if function.serial_line_only} == {7, 8, 11, 12, 17}


def test_exceptions_as_scapy_knows_them() -> None:
    """The exception codes of section 7, by the names that scapy.contrib.modbus gives them."""
    from scapy.contrib.modbus import _modbus_exceptions

    assert set(EXCEPTIONS) == set(_modbus_exceptions)
    # The standard renamed slave to server with V1.1b3; scapy abridges some names.
    for code in (1, 2, 5, 8, 10):
        ours, theirs = EXCEPTIONS[code].name.lower(), _modbus_exceptions[code].lower()
        assert ours.split()[0] == theirs.split()[0]


def test_diagnostics_as_pymodbus_knows_them() -> None:
    """Section 6.8.1: those sub-functions for which pymodbus has a class, but for two reserved ones."""
    from pymodbus.pdu import diag_message

    classes = [value for value in vars(diag_message).values() if isinstance(value, type)]
    known = {c.sub_function_code for c in classes if issubclass(c, diag_message.DiagnosticBase)}
    # 19 and 21 are reserved in the standard; 9999 is the base class.
    assert known - {19, 21, 9999} == set(DIAGNOSTICS)


def test_names_of_codes_outside_the_tables() -> None:
    """Private, unassigned and unknown codes have names too."""
    assert function_name(65) == "private function 65"
    assert function_name(9) == "unassigned function 9"
    assert function_name(8, 10) == "diagnostics: clear counters and diagnostic register"
    assert function_name(43, 14) == "encapsulated interface transport: read device identification"
    assert function_name(43, 99) == "encapsulated interface transport"
    assert exception_name(6) == "server device busy"
    assert exception_name(7) == "exception code 7"
    assert IDENTIFICATION[0] == "vendor name"
