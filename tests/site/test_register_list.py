"""Register lists that cannot be used: the error names file, line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from mbsniff.errors import SiteError
from mbsniff.site import Register, load_site

SITE = '[[master]]\nname = "PLC"\naddresses = ["192.0.2.10"]\n[[device]]\naddress = "192.0.2.50"\n'


def load(tmp_path: Path, text: str | bytes, site: str = "") -> tuple[Register, ...]:
    """The registers of a device with that list."""
    (tmp_path / "site.toml").write_text(f'{SITE}registers = "zone.csv"\n{site}')
    (tmp_path / "zone.csv").write_bytes(text.encode() if isinstance(text, str) else text)
    return load_site(str(tmp_path / "site.toml")).devices[0].registers


@pytest.mark.parametrize(
    ("text", "line", "key", "part"),
    [
        ("name,tabel\n", 1, "tabel", 'column "tabel" is not known; did you mean "table"?'),
        ("first,first\n", 1, "first", "stands there twice"),
        ("first\n\n\n99999\n", 4, "first", "is 99999; expected a whole number from 0 to 65535"),
        ("first\n1.5\n", 2, "first", "is 1.5; expected"),
        ("name,first\na,1\nb,1\n", 3, "first", "belongs to a (holding 1 (no. 2)) already"),
        ("name,first,count\na,0,10\nb,9,1\n", 3, "first", "is 9, which belongs to a"),
        ("name,first\na,1\na,2\n", 3, "name", 'is "a" again'),
        ("name,count\na,1\n", 2, "first", 'column "first" is missing'),
        ('name,first\n"two\nlines",1\nx,zz\n', 2, "name", "characters that do not print"),
        ("first,name\n1,a\n2,b,c\n", 3, None, "this row has 3 cells where the first row has 2"),
        ('first\n"1\n', 2, None, "not valid CSV"),
        (
            "first;scale\n1;0,1\n",
            2,
            "scale",
            'is "0,1"; expected a number of at most 38 digits. Numbers have a decimal point.',
        ),
        ("first,masters\n1,PLC|PCL\n", 2, "masters", 'item 2 of column "masters" is "PCL"'),
        ("first,masters\n1,PLC | PLC\n", 2, "masters", "which the list holds already"),
        ("first,nonvolatile\n1,yes\n", 2, "nonvolatile", 'is "yes"; expected true or false'),
        ("first,feedback\n1,x\n", 2, "feedback", "no register of the device"),
        ("number\n41\n", 2, "number", "numbering is not given"),
        ("first,table,type\n1,coil,int16\n", 2, "type", 'expected "bool", since the table is coil'),
    ],
)
def test_fault_is_located(tmp_path: Path, text: str, line: int, key: str | None, part: str) -> None:
    """Each fault names the list, the line and the column, what was found, and what is allowed."""
    with pytest.raises(SiteError) as caught:
        load(tmp_path, text)
    error = caught.value
    assert part in str(error) and str(error).isprintable()
    assert (error.file, error.line, error.key) == (str(tmp_path / "zone.csv"), line, key)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("none.csv", "there is no such file"),
        ("/etc/hostname", "expected a file in the folder of the site file"),
        ("../zone.csv", "expected a file in the folder of the site file"),
        (".", "there is no such file"),
        ("empty.csv", "which is empty"),
        ("latin.csv", "which is not UTF-8 text"),
    ],
)
def test_a_list_that_cannot_be_read_is_the_site_files_fault(tmp_path: Path, name: str, part: str) -> None:
    """The error names the line of the site file that names the list."""
    (tmp_path / "empty.csv").write_text("")
    (tmp_path / "latin.csv").write_bytes("name,first\nHöhe,1\n".encode("latin-1"))
    (tmp_path / "site.toml").write_text(f'{SITE}registers = "{name}"\n')
    with pytest.raises(SiteError) as caught:
        load_site(str(tmp_path / "site.toml"))
    assert part in str(caught.value)
    assert (caught.value.line, caught.value.key) == (6, "registers")


def test_cells_as_spreadsheets_write_them(tmp_path: Path) -> None:
    """TRUE in capitals, exponents, spaces, quotes, items between bars, numbers as names."""
    text = 'first, name ,scale,nonvolatile,masters\n 7 ,"41, or so",1e-1,TRUE,PLC|192.0.2.99\n8,41,,,\n'
    assert load(tmp_path, text) == (
        Register("41, or so", first=7, scale=0.1, nonvolatile=True, masters=("PLC", "192.0.2.99")),
        Register("41", first=8),
    )


def test_a_list_and_tables_together(tmp_path: Path) -> None:
    """Both are the device's own: neither may touch the other."""
    inline = '[[device.register]]\nname = "own"\nfirst = 2\n'
    assert [r.first for r in load(tmp_path, "first\n1\n", inline)] == [1, 2]
    with pytest.raises(SiteError, match=r'site.toml, line 9: key "register.first" is 2, which belongs to'):
        load(tmp_path, "first\n2\n", inline)
