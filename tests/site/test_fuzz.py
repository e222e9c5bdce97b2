"""Arbitrary site files end as a Site or as one clear error."""

from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mbsniff.errors import SiteError
from mbsniff.site import Site, decode, load_site, one_off
from mbsniff.site.keys import REGISTER_TABLE, TABLES

WHOLE = """\
[defaults]
watchdog_s = 3
fed_by = { write = "40-41", change = true, master = "oven PLC" }
[[master]]
name = "oven PLC"
addresses = ["192.0.2.10", "2001:db8::10"]
group = "control"
may_write = true
timeout_s = 0.5
hardware_addresses = ["00-00-5E-00-53-10"]
[[family]]
name = "zone"
numbering = "5-digit"
status_register = "status"
status_tripped = { mask = 2 }
[[family.register]]
name = "status"
number = 40004
[[device]]
name = "zone 1"
address = "192.0.2.51"
units = [0, 1, 255]
masters = ["oven PLC"]
on_loss = "hold"
family = "zone"
writers = ["control"]
watchdog_register = 60
watchdog_unit_s = 0.001
registers = "zone.csv"
[[device.register]]
name = "setpoint"
first = 40
count = 4
type = "float32"
word_order = "low-first"
scale = 0.1
minimum = -5
maximum = 300
period_s = 1
writers = ["oven PLC"]
feedback = "status"
"""
LIST = """\
name,table,first,count,access,type,scale,nonvolatile,masters
current,input,0,2,ro,float32,1e-2,,oven PLC|control
,holding,70,10,none,,,FALSE,
"door, open",discrete,3,,,,,,
"""
PIECES = [
    *(key.name for table in (*TABLES, REGISTER_TABLE) for key in table.keys),
    *(
        "[[device.register]]",
        "[[family]]",
        "[[device]]",
        "[device.x]",
        "[defaults]",
        "=",
        "\n",
        '"',
        "'''",
        '"""',
        "{",
        "}",
        "[",
        "]",
        ",",
        ".",
        "#",
    ),
    *("-1", "nan", "1e400", "true", "1979-05-27", "0x" + "f" * 30, '"192.0.2.51"', "\\", "\x00", "\x1b[2J"),
    *("\u202e", "\ufeff", "\u2028", "é", "\r", "\r\n"),
]

edits = st.lists(
    st.tuples(
        st.integers(0, 999) | st.integers(0, len(WHOLE)),
        st.integers(0, 12),
        st.sampled_from(PIECES) | st.text(max_size=4),
    ),
    max_size=5,
)


def edited(text: str, changes: list[tuple[int, int, str]]) -> str:
    """The text after each change: at a place, so many characters replaced by a piece."""
    for place, length, piece in changes:
        text = text[:place] + piece + text[place + length :]
    return text


def check(path: Path, content: bytes, listed: bytes = LIST.encode()) -> bool:
    """Promise: a Site, or a SiteError of one printable line. Whether it was a Site."""
    path.write_bytes(content)
    path.with_name("zone.csv").write_bytes(listed)
    try:
        site = load_site(str(path))
    except SiteError as error:
        message = str(error)
        assert message.isprintable() and message.startswith(str(path.parent)) and len(message) < 1_500
        inside = content if error.file == str(path) else listed.replace(b"\r", b"\n")
        assert error.line is None or 1 <= error.line <= inside.count(b"\n") + 1
        return False
    else:
        assert isinstance(site, Site) and site.path == str(path)
        for device in site.devices:
            assert site.device_for(device.address, device.port, (*device.units, 0)[0]) is not None
            for register in device.registers:
                assert 0 <= register.first <= register.last <= 0xFFFF and register.count % register.words == 0
                assert len(decode(register, [0] * register.words)) == 1
                assert register.label(device.limits.numbering)
                assert register == device.register_at(register.table, register.first)
            one_off(device.registers, "holding", 41, 1)
            assert site.may_write("192.0.2.10", device) in (True, False, None)
        return True


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits)
def test_mutated_files(tmp_path: Path, changes: list[tuple[int, int, str]]) -> None:
    """A right file with up to five pieces replaced is read, or refused in one printable line."""
    check(tmp_path / "site.toml", edited(WHOLE, changes).encode("utf-8", "surrogatepass"))


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=200)
    | st.lists(st.sampled_from(PIECES), max_size=20).map(lambda p: "".join(p).encode())
)
def test_arbitrary_bytes(tmp_path: Path, content: bytes) -> None:
    """Any bytes at all are read, or refused in one printable line."""
    check(tmp_path / "site.toml", content)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits, st.binary(max_size=30))
def test_mutated_register_lists(tmp_path: Path, changes: list[tuple[int, int, str]], junk: bytes) -> None:
    """A register list with pieces replaced, or bytes after it, is read, or refused in one printable line."""
    listed = edited(LIST, [(place % len(LIST), length, piece) for place, length, piece in changes])
    check(tmp_path / "site.toml", WHOLE.encode(), listed.encode("utf-8", "surrogatepass") + junk)


def test_the_file_before_changes_is_right(tmp_path: Path) -> None:
    """What the changes are made to can be read."""
    check(tmp_path / "site.toml", WHOLE.encode())
    assert len(load_site(str(tmp_path / "site.toml")).devices[0].registers) == 5
