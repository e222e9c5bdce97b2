"""Arbitrary site files end as a Site or as one clear error."""

from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mbsniff.errors import SiteError
from mbsniff.site import TABLES, Site, load_site

WHOLE = """\
[defaults]
watchdog_s = 3
fed_by = { write = "40-41", change = true, master = "oven PLC" }
[[master]]
name = "oven PLC"
addresses = ["192.0.2.10", "2001:db8::10"]
group = "control"
[[device]]
name = "zone 1"
address = "192.0.2.51"
units = [0, 1, 255]
masters = ["oven PLC"]
on_loss = "hold"
"""
PIECES = [
    *(key.name for table in TABLES for key in table.keys),
    *(
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
    st.tuples(st.integers(0, len(WHOLE)), st.integers(0, 12), st.sampled_from(PIECES) | st.text(max_size=4)),
    max_size=5,
)


def edited(changes: list[tuple[int, int, str]]) -> str:
    """The whole file after each change: at a place, so many characters replaced by a piece."""
    text = WHOLE
    for place, length, piece in changes:
        text = text[:place] + piece + text[place + length :]
    return text


def check(path: Path, content: bytes) -> None:
    """Promise: a Site, or a SiteError of one printable line."""
    path.write_bytes(content)
    try:
        site = load_site(str(path))
    except SiteError as error:
        message = str(error)
        assert message.isprintable() and message.startswith(str(path)) and len(message) < 1_500
        assert error.line is None or 1 <= error.line <= content.count(b"\n") + 1
    else:
        assert isinstance(site, Site) and site.path == str(path)
        for device in site.devices:
            assert site.device_for(device.address, device.port, (*device.units, 0)[0]) is not None


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits)
def test_mutated_files(tmp_path: Path, changes: list[tuple[int, int, str]]) -> None:
    """A right file with up to five pieces replaced is read, or refused in one printable line."""
    check(tmp_path / "site.toml", edited(changes).encode("utf-8", "surrogatepass"))


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=200)
    | st.lists(st.sampled_from(PIECES), max_size=20).map(lambda p: "".join(p).encode())
)
def test_arbitrary_bytes(tmp_path: Path, content: bytes) -> None:
    """Any bytes at all are read, or refused in one printable line."""
    check(tmp_path / "site.toml", content)
