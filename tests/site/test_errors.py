"""Site files that cannot be used: the error names file, line, key, what was found and what is allowed."""

from pathlib import Path

import pytest

from mbsniff.errors import SiteError
from mbsniff.site import Site, load_site

DEVICE = '[[device]]\naddress = "192.0.2.50"\n'
FAMILY = '[[family]]\nname = "zone"\n'
TABLE = "[[device.register]]\n"
REGISTER = f'{DEVICE}{TABLE}name = "x"\n'
MASTER = '[[master]]\nname = "oven PLC"\naddresses = ["192.0.2.10"]\n'


def refused(tmp_path: Path, content: str | bytes) -> SiteError:
    """The error of a file with that content: one printable line that begins with the file's name."""
    path = tmp_path / "site.toml"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(SiteError) as caught:
        load_site(str(path))
    assert str(caught.value).startswith(f"{path}") and str(caught.value).isprintable()
    assert caught.value.file == str(path)
    return caught.value


def test_the_whole_line(tmp_path: Path) -> None:
    """An unknown key's error reads as one sentence with the nearest right key and the known ones."""
    error = refused(tmp_path, f"{DEVICE}watchdgo_s = 3\n")
    assert str(error) == (
        f'{tmp_path}/site.toml, line 3: key "watchdgo_s" is not known; did you mean "watchdog_s"? '
        "Known in [[device]]: name, address, port, unit_id, units, gateway, family, hardware_address, "
        "watchdog_s, tolerance, fed_by, exceptions_feed, watchdog_register, watchdog_unit_s, on_loss, "
        "status_register, status_tripped, reset_register, tolerable_outage_s, max_block, max_reads_per_s, masters, "
        "writers, numbering, registers, register."
    )
    error = refused(tmp_path, f'{DEVICE}\nwatchdog_s = "3 s"\n')
    assert str(error) == (
        f'{tmp_path}/site.toml, line 4: key "watchdog_s" is "3 s"; '
        "expected a number of seconds: 0, or 0.001 to 31622400 (366 days)"
    )


@pytest.mark.parametrize(
    ("text", "line", "key", "part"),
    [
        ("[defaults]\nwatchdog = 3", 2, "watchdog", 'mean "watchdog_s"?'),
        ("[[devices]]\n", 1, "devices", 'mean "device"?'),
        ("colour = 1", 1, "colour", "Known: [defaults], [[master]], [[family]], [[device]]."),
        ("\n[device]\n", 2, "device", "expected tables headed [[device]]"),
        ("[[defaults]]\n", 1, "defaults", "expected one table headed [defaults]"),
        ("device = [1]", 1, "device", "is 1; expected tables"),
        ("master = 3", 1, "master", "is 3; expected tables"),
        ("[[device]]\nname = 'x'\n", 1, "address", "is missing; expected an IPv4"),
        ("[[master]]\naddresses = ['192.0.2.1']\n", 1, "name", "is missing"),
        (f"{DEVICE}watchdog_s = -1", 3, "watchdog_s", "is -1; expected"),
        (f"{DEVICE}watchdog_s = nan", 3, "watchdog_s", "is nan; expected"),
        (f"{DEVICE}watchdog_s = -inf", 3, "watchdog_s", "is -inf; expected"),
        (f"{DEVICE}watchdog_s = 1e-12", 3, "watchdog_s", "is 1e-12; expected"),
        (f"{DEVICE}watchdog_s = 1e300", 3, "watchdog_s", "is 1e+300; expected"),
        (f"{DEVICE}watchdog_s = true", 3, "watchdog_s", "is true; expected"),
        (f"{DEVICE}watchdog_s = 07:32:00", 3, "watchdog_s", "is a date or time; expected"),
        (f"{DEVICE}watchdog_s = 0x{'f' * 5000}", 3, "watchdog_s", "more than 20 digits; expected"),
        (f"{DEVICE}tolerance = 10", 3, "tolerance", "expected a number from 0 to 1. 0.10 is ten percent."),
        (f"{DEVICE}max_block = 16.0", 3, "max_block", "expected a whole number from 1 to 125"),
        (f"{DEVICE}max_block = 126", 3, "max_block", "is 126; expected"),
        (f"{DEVICE}max_reads_per_s = 0", 3, "max_reads_per_s", "is 0; expected"),
        (f"{DEVICE}port = 0", 3, "port", "from 1 to 65535"),
        (f"{DEVICE}unit_id = 256", 3, "unit_id", "from 0 to 255"),
        (f"{DEVICE}units = []", 3, "units", "is an empty list; expected a list"),
        (
            f"{DEVICE}units = [1, 2, 1]",
            3,
            "units",
            'item 3 of key "units" is 1, which the list holds already',
        ),
        (f"{DEVICE}units = [\n  1,\n  '2',\n]", 5, "units", 'item 2 of key "units" is "2"'),
        (f"{DEVICE}unit_id = 1\nunits = [1]", 4, "units", "expected either unit_id or units"),
        (f"{DEVICE}gateway = 1", 3, "gateway", "is 1; expected true or false"),
        (f"{DEVICE}on_loss = 'Hold'", 3, "on_loss", 'expected "hold" or "shut-off"'),
        (
            f"{DEVICE}fed_by = 'any'",
            3,
            "fed_by",
            'is "any"; expected "request", "reply", "read" or "write", or',
        ),
        (f"{DEVICE}fed_by = {{ wirte = true }}", 3, "fed_by.wirte", 'mean "write"?'),
        (f"{DEVICE}fed_by = {{ write = '41-40' }}", 3, "fed_by.write", "The lower address comes first."),
        (f"{DEVICE}fed_by = {{ write = '65536' }}", 3, "fed_by.write", "from 0 to 65535"),
        (
            f"{DEVICE}fed_by = {{ write = false }}",
            3,
            "fed_by.write",
            "is false; expected true, or data addresses",
        ),
        (f"{DEVICE}fed_by = {{ read = true, write = true }}", 3, "fed_by", "read and write of the four"),
        (f"{DEVICE}fed_by = {{ change = true }}", 3, "fed_by", "none of the four"),
        (f"{DEVICE}fed_by = {{ read = true, change = true }}", 3, "fed_by.change", "needs write"),
        (
            f"{DEVICE}[device.fed_by]\nwrite = true\nmaster = 'PLC'",
            5,
            "fed_by.master",
            "declares no [[master]]",
        ),
        (
            f"{MASTER}{DEVICE}masters = ['oven PCL']",
            6,
            "masters",
            'mean "oven PLC"? Known masters: oven PLC.',
        ),
        (f"{DEVICE}[[device.register]]\nname = 'x'", 3, "register.first", "is missing; expected first, the"),
        ("[[family]]\nmax_block = 3", 1, "name", "is missing"),
        ("[[family]]\nname = 'z'\n[[family]]\nname = 'z'", 4, "name", 'is "z" again'),
        (f"{FAMILY}{DEVICE}family = 'zoen'", 5, "family", 'mean "zone"? Known: zone.'),
        (f"{DEVICE}family = 'zone'", 3, "family", "declares no [[family]]"),
        (f"{FAMILY}watchdgo_s = 3", 3, "watchdgo_s", 'mean "watchdog_s"?'),
        (f"{FAMILY}masters = ['PLC']", 3, "masters", "declares no [[master]]"),
        (f"{MASTER}{DEVICE}writers = ['oven PCL']", 6, "writers", 'mean "oven PLC"?'),
        (
            f"{MASTER}{DEVICE}masters = ['oven PLC']\nwriters = ['192.0.2.9']",
            7,
            "writers",
            'item 1 of key "writers" is "192.0.2.9", which is not among masters',
        ),
        (f"{MASTER}may_read = 1", 4, "may_read", "expected true or false"),
        (f"{MASTER}timeout_s = 0", 4, "timeout_s", "expected a number of seconds: 0.001 to"),
        (
            f"{MASTER}hardware_addresses = ['00-00']",
            4,
            "hardware_addresses",
            'is "00-00"; expected six octets',
        ),
        (f"{DEVICE}hardware_address = '00-00:5E-00-53-51'", 3, "hardware_address", "expected six octets"),
        (
            f"{MASTER}[[master]]\nname = 'b'\naddresses = ['192.0.2.9']\ngroup = 'oven PLC'",
            7,
            "group",
            "the name of another [[master]]",
        ),
        (f"{DEVICE}numbering = 'one'", 3, "numbering", 'expected "from-0", "from-1", "5-digit" or "6-digit"'),
        (f"{DEVICE}watchdog_register = 'x'", 3, "watchdog_register", "It has no registers with names."),
        (f"{REGISTER}first = 1\n[defaults]\nstatus_register = 'y'", 7, "status_register", "Known: x."),
        (f"{DEVICE}watchdog_register = -1", 3, "watchdog_register", "is -1; expected the name of one"),
        (f"{DEVICE}watchdog_unit_s = 0", 3, "watchdog_unit_s", "expected a number from"),
        (
            f"[defaults]\nwatchdog_register = 1\n{REGISTER}first = 1\naccess = 'none'",
            2,
            "watchdog_register",
            "which is not readable at 192.0.2.50",
        ),
        (f"{DEVICE}status_tripped = 2", 3, "status_tripped", "is 2; expected a table such as"),
        (f"{DEVICE}status_tripped = {{ msak = 2 }}", 3, "status_tripped.msak", 'mean "mask"?'),
        (f"{DEVICE}status_tripped = {{ mask = 2, value = 1 }}", 3, "status_tripped", "can never be"),
        (f"{DEVICE}register = 3", 3, "register", "expected tables headed [[device.register]]"),
        (f"{FAMILY}register = [3]", 3, "register", "expected tables headed [[family.register]]"),
        (
            f"{REGISTER}frist = 1",
            5,
            "register.frist",
            'mean "first"? Known in [[device.register]]: name, table,',
        ),
        (f"{REGISTER}first = 65536", 5, "register.first", "from 0 to 65535"),
        (f"{REGISTER}first = 1\nnumber = 2", 6, "register.number", "expected either first or number"),
        (f"{REGISTER}number = 2", 5, "register.number", "numbering is not given"),
        (
            f"{DEVICE}numbering = '5-digit'\n{TABLE}number = 41\ntable = 'holding'",
            5,
            "register.number",
            "coil",
        ),
        (f"{REGISTER}first = 65535\ncount = 2", 6, "register.count", "ends at 65536"),
        (f"{REGISTER}first = 65535\ntype = 'int32'", 3, "register.count", "ends at 65536"),
        (
            f"{REGISTER}first = 1\ntype = 'int32'\ncount = 3",
            7,
            "register.count",
            "a multiple of 2, for int32",
        ),
        (f"{REGISTER}first = 1\ntype = 'int64'", 6, "register.type", 'expected "uint16", "int16"'),
        (f"{REGISTER}first = 1\ntable = 'input'\naccess = 'rw'", 7, "register.access", "input is read-only"),
        (f"{REGISTER}first = 1\ntable = 'coil'\ntype = 'int16'", 7, "register.type", 'expected "bool"'),
        (f"{REGISTER}first = 1\ntype = 'bool'\nscale = 2", 6, "register.type", "another type where scale"),
        (
            f"{REGISTER}first = 1\nminimum = 2\nmaximum = 1",
            6,
            "register.minimum",
            "is 2; expected a number not above",
        ),
        (f"{REGISTER}first = 1\nscale = 0", 6, "register.scale", "a number other than 0"),
        (f"{REGISTER}first = 1\nscale = inf", 6, "register.scale", "is inf; expected a number"),
        (f"{REGISTER}first = 1\nperiod_s = 0", 6, "register.period_s", "0.001 to"),
        (
            f"{REGISTER}first = 1\nfeedback = 'X'",
            6,
            "register.feedback",
            "no register of the device",
        ),
        (
            f"{REGISTER}first = 1\nmasters = ['y']",
            6,
            "register.masters",
            'item 1 of key "register.masters" is "y"',
        ),
        (
            f"{REGISTER}first = 1\n{TABLE}first = 1",
            7,
            "register.first",
            "belongs to x (holding 1 (no. 2)) already",
        ),
        (f"{REGISTER}first = 1\n{TABLE}name = 'x'\nfirst = 2", 7, "register.name", 'is "x" again'),
        ("[[device]]\naddress = '192.0.2.50:502'", 2, "address", "a port has a key of its own"),
        ("[[device]]\naddress = '192.0.2.500'", 2, "address", 'is "192.0.2.500"; expected an IPv4'),
        ("[[device]]\naddress = 'fe80::1%eth0'", 2, "address", "Leave out the interface"),
        ("[[device]]\naddress = '0.0.0.0'", 2, "address", "No single station"),
        ("[[device]]\naddress = 3", 2, "address", "is 3; expected"),
        ("[[device]]\nname = ''\naddress = '192.0.2.50'", 2, "name", "printable text"),
        ('[[device]]\nname = "a\\u001b[2J"', 2, "name", r'is "a\x1b[2J"; expected'),
        (f"{MASTER}{MASTER}", 5, "name", 'is "oven PLC" again'),
        (
            f"{MASTER}[[master]]\nname = 'b'\naddresses = ['192.0.2.10']",
            6,
            "addresses",
            'of "oven PLC" already',
        ),
        (
            "[[master]]\nname = 'a'\naddresses = '192.0.2.10'",
            3,
            "addresses",
            "One item stands in [ ] as well.",
        ),
        (
            f"{DEVICE}unit_id = 1\n{DEVICE}units = [3, 1]",
            5,
            "address",
            "unit 1 is [[device]] number 1 already",
        ),
        (f"{DEVICE}name = 'zone 1'\n{DEVICE}", 5, "address", 'no unit is "zone 1" already'),
        (f"{DEVICE}name = 'z'\n[[device]]\nname = 'z'\naddress = '192.0.2.51'", 5, "name", 'is "z" again'),
    ],
)
def test_fault_is_located(tmp_path: Path, text: str, line: int, key: str, part: str) -> None:
    """Each fault names its line and key, what was found, and what is allowed or how to mend it."""
    error = refused(tmp_path, text)
    assert part in str(error)
    assert (error.line, error.key) == (line, key)


@pytest.mark.parametrize(
    ("text", "line", "part"),
    [
        ("[defaults]\nwatchdog_s =\n", 2, "column 13"),
        ("[defaults]\non_loss = hold\n", 2, "Text stands in double quotes."),
        ("[defaults]\nwatchdog_s = 3\nwatchdog_s = 4\n", 3, "TOML"),
        ('[[device]]\nname = "zone', 2, "TOML"),
        ('[[device]]\nname = "zo\x07ne"', 2, r"\x07"),
        ("[defaults]\nwatchdog_s = " + "9" * 5000, None, "TOML"),
        ("x = " + "[" * 20_000, None, "nested too deeply"),
        ("\n" + "a . " * 500_000 + "b = 1", 2, "nested too deeply"),
        ("x" * 3_900_000, 1, "TOML"),
    ],
    ids=range(9),
)
def test_syntax_errors(tmp_path: Path, text: str, line: int | None, part: str) -> None:
    """What is no TOML is told with line and column, where the TOML reader knows them."""
    error = refused(tmp_path, text)
    assert part in str(error) and error.line == line


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    """A missing file, a folder, a name no file can have, other encodings and huge files are errors."""
    for path in (tmp_path / "none.toml", tmp_path, "a\0b"):
        with pytest.raises(SiteError) as caught:
            load_site(str(path))
        assert str(caught.value).isprintable()
    assert "UTF-8" in str(refused(tmp_path, "# bäckerei\n".encode("latin-1")))
    assert refused(tmp_path, b"[defaults]\n# \xff\n").line == 2
    assert "UTF-8" in str(refused(tmp_path, "[defaults]\n".encode("utf-16")))
    assert "larger than any site file" in str(refused(tmp_path, b"#" * 4_000_001))


@pytest.mark.parametrize(
    ("options", "part"),
    [
        ({"watchdog_ns": -1}, "--watchdog is"),
        ({"max_block": 0}, "--max-block is 0; expected a whole number from 1 to 125"),
        ({"max_reads_per_s": float("nan")}, "--max-reads is nan"),
    ],
)
def test_options_are_checked_like_the_file(options: dict[str, float], part: str) -> None:
    """An option takes no value that the site file would refuse."""
    with pytest.raises(SiteError) as caught:
        Site.empty().with_options(**options)  # type: ignore[arg-type]
    assert part in str(caught.value)
