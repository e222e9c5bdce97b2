"""The table of keys agrees with what limits, masters and devices can hold."""

from dataclasses import fields

from mbsniff.site import Device, Family, Limits, Master, Register
from mbsniff.site.keys import REGISTER_TABLE, TABLES, key_rows


def test_every_key_fills_a_field() -> None:
    """No key leads nowhere, and no field is without a key."""
    limits = {f.name for f in fields(Limits)}
    made = {"csv", "register"}  # registers are made of a list beside the file, and of tables in it
    expected = {
        "defaults": limits,
        "master": {f.name for f in fields(Master)},
        "family": limits | made | {f.name for f in fields(Family)} - {"limits", "registers"},
        "device": limits | made | {f.name for f in fields(Device)} - {"limits", "registers"},
        "device.register": {f.name for f in fields(Register)},
    }
    tables = (*TABLES, REGISTER_TABLE)
    assert {table.name: {key.field for key in table.keys} for table in tables} == expected


def test_rows_for_the_documentation() -> None:
    """Each key has one row of four printable, filled cells, and its meaning is a sentence."""
    rows = key_rows()
    assert (
        len({row[:2] for row in rows})
        == len(rows)
        == sum(len(table.keys) for table in (*TABLES, REGISTER_TABLE))
    )
    for row in rows:
        assert all(cell and cell.isprintable() for cell in row)
        assert row[3].endswith(".")
