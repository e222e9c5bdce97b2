"""Valid site files for the addresses that conversations use, and mutated ones."""

from __future__ import annotations

import functools
import re
import tempfile
from pathlib import Path
from random import Random

from mbsniff.site import Site, load_site
from mbsniff.site.keys import REGISTER_TABLE, TABLES
from tests.site.test_fuzz import LIST, PIECES, WHOLE

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
TEXTS = (
    WHOLE,
    WHOLE,
    *(f"[defaults]\n{text}\n{_DEVICES}" for text in _DEFAULTS),
    f"[defaults]\n{_DEFAULTS[0]}\n",
    _DEVICES,
)
_NAMES = [key.name for table in (*TABLES, REGISTER_TABLE) for key in table.keys]
_PIECES = (
    *PIECES, *_NAMES, *(table.header for table in TABLES), "[[", "]]", "\\u0000", "9" * 5000, "1_0", "0o7", "1e-400",
    "inf", '"2001:db8::1%eth0"', '"192.0.2.0/24"', '"plc.example"', "\udc80", "[a.b.c]", "a.b.c = 1", "[" * 300,
    "a." * 20 + "b = 1", '{ write = "9-1" }', "65536", "-0", "1e308", '""', "[]", "{}",
)  # fmt: skip


@functools.cache
def sites() -> list[Site]:
    """The valid site files, read, and a site that states nothing."""
    found = [Site.empty()]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.with_name("zone.csv").write_text(LIST, encoding="utf-8")
        for text in TEXTS:
            path.write_text(text, encoding="utf-8")
            found.append(load_site(str(path)))
    return found


def mutated(rng: Random, told: list[str]) -> list[bytes]:
    """A site file and a register list, one of which has pieces put in, taken out or exchanged, or other bytes.

    What was done goes to ``told``.
    """
    is_list = rng.random() < 0.2
    text = LIST if is_list else rng.choice(TEXTS)
    what = "register list" if is_list else "site file"
    for _ in range(rng.choice((1, 1, 1, 1, 2, 3, 6))):
        how = rng.choice(tuple(_EDITS))
        told.append(f"{what}: {how}")
        text = _EDITS[how](text, rng)
    data = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.05 and data:
        told.append(f"{what}: bytes")
        at = rng.randrange(len(data))
        data = data[:at] + rng.randbytes(rng.randint(1, 3)) + data[at + 1 :]
    return [WHOLE.encode(), data] if is_list else [data, LIST.encode()]


def _piece(text: str, rng: Random) -> str:
    at, length = rng.randrange(len(text) + 1), rng.choice((0, 0, 1, 3, 12))
    return text[:at] + rng.choice(_PIECES) + text[at + length :]


def _value(text: str, rng: Random) -> str:
    """Another value: mostly one that the key has elsewhere, or a number near."""
    lines = text.split("\n")
    chosen = rng.choice([n for n, line in enumerate(lines) if "=" in line] or [0])
    key, _, value = lines[chosen].partition("=")
    how = rng.random()
    if how < 0.5:
        same = [line.partition("=")[2] for line in _LINES if line.partition("=")[0] == key]
        value = rng.choice(same or [value])
    elif how < 0.8:
        digits = [n for n, character in enumerate(value) if character.isdigit()]
        at = rng.choice(digits) if digits else 0
        value = value[:at] + rng.choice("0123456789.-e_") + value[at + 1 :]
    else:
        value = rng.choice((*(line.partition("=")[2] for line in _LINES), *_PIECES))
    lines[chosen] = f"{key}= {value}"
    return "\n".join(lines)


def _key(text: str, rng: Random) -> str:
    """Another key, perhaps one letter off."""
    lines = text.split("\n")
    chosen = rng.choice([n for n, line in enumerate(lines) if "=" in line] or [0])
    key, equals, value = lines[chosen].partition("=")
    lines[chosen] = rng.choice((*_NAMES, key[:-2] + " ", "x" + key)) + equals + value
    return "\n".join(lines)


def _words(text: str, rng: Random) -> str:
    """Two words, values or cells change places."""
    words = re.split(r"([\s,]+)", text)
    a, b = 2 * rng.randrange((len(words) + 1) // 2), 2 * rng.randrange((len(words) + 1) // 2)
    words[a], words[b] = words[b], words[a]
    return "".join(words)


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


_LINES = [line for text in TEXTS for line in text.split("\n") if "=" in line]
_EDITS = {
    "piece": _piece, "value": _value, "another value": _value, "key": _key, "words": _words, "lines": _lines,
    "cut off": _cut,
}  # fmt: skip
