"""Valid site files for the addresses that conversations use, and mutated ones."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from random import Random

from mbsniff.site import TABLES, Site, load_site

_DEVICES = """
[[master]]
name = "oven PLC"
addresses = ["192.0.2.10", "2001:db8::10"]
group = "control"
[[master]]
name = "supervisory station"
addresses = ["192.0.2.11", "2001:db8::11"]
[[device]]
name = "zone 1"
address = "192.0.2.50"
units = [0, 1, 255]
masters = ["oven PLC"]
[[device]]
name = "zone 2"
address = "192.0.2.51"
gateway = true
[[device]]
name = "zone 1 (6)"
address = "2001:db8::50"
unit_id = 1
"""
_DEFAULTS = (
    "watchdog_s = 3",
    "watchdog_s = 0.2\ntolerance = 0\nfed_by = 'write'\non_loss = 'hold'",
    "watchdog_s = 0\nmax_block = 1\nmax_reads_per_s = 0.5",
    "watchdog_s = 1\nfed_by = { write = '0-3', change = true, master = 'oven PLC' }\nexceptions_feed = true",
    "watchdog_s = 30\nfed_by = 'reply'\nmax_block = 4\nmax_reads_per_s = 2\ntolerable_outage_s = 5",
    "watchdog_s = 0.05\nfed_by = { read = '1, 2-65535' }\ntolerance = 0.5\non_loss = 'shut-off'",
)
TEXTS = (*(f"[defaults]\n{text}\n{_DEVICES}" for text in _DEFAULTS), f"[defaults]\n{_DEFAULTS[0]}\n", _DEVICES)
_PIECES = (
    *(key.name for table in TABLES for key in table.keys), *(table.header for table in TABLES),
    *('"', "'''", '"""', "{", "}", "[", "]", "[[", "]]", ",", ".", "#", "=", "\n", "\r", "\r\n", "\\", "\\u0000"),
    *("-1", "0", "nan", "inf", "1e400", "1e-400", "true", "1979-05-27", "0x" + "f" * 30, "9" * 5000, "1_0", "0o7"),
    *('"192.0.2.51"', '"2001:db8::1%eth0"', '"192.0.2.0/24"', '"plc.example"', "\x00", "\x1b[2J", "\u202e", "\ufeff"),
    *("\u2028", "é", "\udc80", "[a.b.c]", "a.b.c = 1", "a." * 20 + "b = 1", "[" * 300, '{ write = "9-1" }', "65536"),
)  # fmt: skip


@functools.cache
def sites() -> list[Site]:
    """The valid site files, read, and a site that states nothing."""
    found = [Site.empty()]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        for text in TEXTS:
            path.write_text(text, encoding="utf-8")
            found.append(load_site(str(path)))
    return found


def mutated(rng: Random, told: list[str]) -> bytes:
    """A site file with pieces put in, taken out, doubled, or bytes changed; what was done goes to ``told``."""
    text = rng.choice(TEXTS)
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        how = rng.choice(tuple(_EDITS))
        told.append(f"site: {how}")
        text = _EDITS[how](text, rng)
    data = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.1 and data:
        told.append("site: bytes")
        at = rng.randrange(len(data))
        data = data[:at] + rng.randbytes(rng.randint(1, 3)) + data[at + 1 :]
    return data


def _piece(text: str, rng: Random) -> str:
    at, length = rng.randrange(len(text) + 1), rng.choice((0, 0, 1, 3, 12))
    return text[:at] + rng.choice(_PIECES) + text[at + length :]


def _value(text: str, rng: Random) -> str:
    """Another value, or a value of another key."""
    lines = text.split("\n")
    chosen = rng.choice([n for n, line in enumerate(lines) if "=" in line] or [0])
    values = [line.partition("=")[2] for line in lines if "=" in line] + list(_PIECES)
    lines[chosen] = lines[chosen].partition("=")[0] + "= " + rng.choice(values)
    return "\n".join(lines)


def _key(text: str, rng: Random) -> str:
    """Another key, perhaps one letter off."""
    lines = text.split("\n")
    chosen = rng.choice([n for n, line in enumerate(lines) if "=" in line] or [0])
    key, equals, value = lines[chosen].partition("=")
    names = [k.name for table in TABLES for k in table.keys]
    lines[chosen] = rng.choice((*names, key[:-2] + " ", "x" + key)) + equals + value
    return "\n".join(lines)


def _lines(text: str, rng: Random) -> str:
    """Lines left out, doubled or in another order."""
    lines = text.split("\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    how = rng.randrange(3)
    if how == 0:
        del lines[a]
    elif how == 1:
        lines.insert(b, lines[a])
    else:
        lines[a], lines[b] = lines[b], lines[a]
    return "\n".join(lines)


def _cut(text: str, rng: Random) -> str:
    return text[: rng.randrange(len(text) + 1)]


_EDITS = {"piece": _piece, "value": _value, "key": _key, "lines": _lines, "cut off": _cut}
