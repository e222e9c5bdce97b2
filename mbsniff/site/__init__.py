"""site.toml and options that state limits → what each device tolerates."""

from mbsniff.site.duration import parse_duration_ns
from mbsniff.site.keys import TABLES, Key, Table, key_rows
from mbsniff.site.limits import Device, FedBy, Limits, Master
from mbsniff.site.load import load_site
from mbsniff.site.site import Site

__all__ = [
    "TABLES",
    "Device",
    "FedBy",
    "Key",
    "Limits",
    "Master",
    "Site",
    "Table",
    "key_rows",
    "load_site",
    "parse_duration_ns",
]
