"""site.toml and options that state limits → what each device tolerates."""

from mbsniff.site.decode import decode, decode_columns
from mbsniff.site.duration import parse_duration_ns
from mbsniff.site.keys import REGISTER_TABLE, TABLES, Key, Table, key_rows
from mbsniff.site.limits import Device, Family, FedBy, Limits, Master, Tripped
from mbsniff.site.load import load_site
from mbsniff.site.numbering import Numbering, both_numbers, number_of
from mbsniff.site.one_off import one_off
from mbsniff.site.register import READ_TABLES, WRITE_TABLES, Access, DataTable, DataType, Register
from mbsniff.site.site import Site

__all__ = [
    "READ_TABLES",
    "REGISTER_TABLE",
    "TABLES",
    "WRITE_TABLES",
    "Access",
    "DataTable",
    "DataType",
    "Device",
    "Family",
    "FedBy",
    "Key",
    "Limits",
    "Master",
    "Numbering",
    "Register",
    "Site",
    "Table",
    "Tripped",
    "both_numbers",
    "decode",
    "decode_columns",
    "key_rows",
    "load_site",
    "number_of",
    "one_off",
    "parse_duration_ns",
]
