"""site.toml and options that state limits → what each device tolerates.

What only a site file needs is loaded where there is one: `load_site` here, the table of its keys in `keys`.
"""

from mbsniff.site.decode import decode, decode_columns
from mbsniff.site.duration import parse_duration_ns
from mbsniff.site.limits import Device, Family, FedBy, Limits, Master, Tripped
from mbsniff.site.numbering import Numbering, both_numbers, number_of
from mbsniff.site.one_off import one_off
from mbsniff.site.register import READ_TABLES, WRITE_TABLES, Access, DataTable, DataType, Register
from mbsniff.site.site import Site

__all__ = [
    "READ_TABLES",
    "WRITE_TABLES",
    "Access",
    "DataTable",
    "DataType",
    "Device",
    "Family",
    "FedBy",
    "Limits",
    "Master",
    "Numbering",
    "Register",
    "Site",
    "Tripped",
    "both_numbers",
    "decode",
    "decode_columns",
    "load_site",
    "number_of",
    "one_off",
    "parse_duration_ns",
]


def load_site(path: str) -> Site:
    """Read a site file; SiteError for one that cannot be read or is not right (`mbsniff.site.load`)."""
    from mbsniff.site.load import load_site as load

    return load(path)
