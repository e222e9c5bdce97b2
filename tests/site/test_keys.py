"""The table of keys agrees with what limits, masters and devices can hold."""

from dataclasses import fields

from mbsniff.site import TABLES, Device, Limits, Master, key_rows


def test_every_key_fills_a_field() -> None:
    """No key leads nowhere, and no field is without a key."""
    limits = {f.name for f in fields(Limits)} - {"masters"}  # whom a device allows is its own matter
    expected = {
        "defaults": limits,
        "master": {f.name for f in fields(Master)},
        "device": limits | {"masters"} | {f.name for f in fields(Device)} - {"limits"},
    }
    assert {table.name: {key.field for key in table.keys} for table in TABLES} == expected


def test_rows_for_the_documentation() -> None:
    """Each key has one row of four printable, filled cells, and its meaning is a sentence."""
    rows = key_rows()
    assert len({row[:2] for row in rows}) == len(rows) == sum(len(table.keys) for table in TABLES)
    for row in rows:
        assert all(cell and cell.isprintable() for cell in row)
        assert row[3].endswith(".")
