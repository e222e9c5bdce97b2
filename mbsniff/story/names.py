"""Devices, masters and polls in, what sentences call them out; several names folded into one phrase."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import groupby

from mbsniff.diagnose.case import Case
from mbsniff.diagnose.wording import addresses
from mbsniff.errors import one_line
from mbsniff.exchange.result import PollKey
from mbsniff.measure import DeviceFigures
from mbsniff.measure.groups import READS, WRITES
from mbsniff.site import READ_TABLES, WRITE_TABLES, Register
from mbsniff.wire.functions import function_name

LONGEST = 60  # characters of a name that a sentence can bear
MOST, MOST_PLAIN = 8, 4  # stretches of folded numbers, and other names, that are told
_NUMBERED = re.compile(r"(.*?\D)(\d{1,6})")
_READ_AND_WRITE = 23  # MODBUS Application Protocol Specification V1.1b3, section 6.17


def called(device: DeviceFigures) -> str:
    """A device's name, or its address and unit; the port only where it is not the usual one."""
    return _short(device.name) if device.name else device.key.replace(":502/", "/")


def master_called(case: Case, address: str) -> str:
    """A master's name, or its address."""
    return _short(case.site.name_of_master(address) or address)


def _short(name: str) -> str:
    text = one_line(name)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"


def together(names: Iterable[str]) -> str:
    """Names as one phrase: "zones 1, 2 and 4 to 6", "zone 1 and fan 2", "a, b, … and 480 more"."""
    parts: list[tuple[str, int]] = []
    for stem, members in groupby(sorted(set(names), key=_rank), key=lambda name: _rank(name)[0]):
        own = list(members)
        parts += _numbered(stem, own) if len(own) > 1 else [(own[0], 1)]
    most = MOST_PLAIN if len(parts) > MOST_PLAIN + 1 else len(parts)
    shown, rest = parts[:most], parts[most:]
    texts = [text for text, _ in shown]
    if rest:
        return f"{', '.join(texts)} and {sum(count for _, count in rest):,} more"
    return anded(texts)


def anded(texts: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(texts[:-1]), texts[-1]]) if len(texts) > 1 else "".join(texts)


def _rank(name: str) -> tuple[str, int]:
    """What names of a kind have in common, and their number; addresses stay what they are."""
    found = _NUMBERED.fullmatch(name)
    return (found[1], int(found[2])) if found and found[1].endswith(" ") else (name, -1)


def _numbered(stem: str, names: list[str]) -> list[tuple[str, int]]:
    """Consecutive numbers as one stretch: the first one with the kind's plural before it."""
    numbers = [_rank(name)[1] for name in names]
    stretches: list[list[int]] = []
    for number in numbers:
        if stretches and number == stretches[-1][1] + 1:
            stretches[-1][1] = number
        else:
            stretches.append([number, number])
    texts = [text for first, last in stretches for text in _stretch(first, last)]
    shown = texts[:MOST]
    more = len(numbers) - sum(_size(text) for text in shown)
    phrase = f"{', '.join(shown)} and {more:,} more" if more else anded(shown)
    return [(f"{stem.rstrip()}s {phrase}", len(names))]


def _stretch(first: int, last: int) -> list[str]:
    """Three or more in a row as "4 to 6"."""
    return [f"{first} to {last}"] if last > first + 1 else [str(n) for n in range(first, last + 1)]


def _size(text: str) -> int:
    """How many numbers a stretch has."""
    first, *last = text.split(" to ")
    return int(last[0]) - int(first) + 1 if last else 1


def asked_for(key: PollKey, registers: tuple[Register, ...] = ()) -> str:
    """What a request asks: "read of holding 0-15", "write of setpoint"."""
    if key.function in WRITES:
        start, count = key.start, key.quantity
        if key.function == _READ_AND_WRITE:
            start, count = key.write_start, key.write_quantity
        return f"write of {_where(WRITE_TABLES.get(key.function), start, count, registers)}"
    if key.function in READS:
        return f"read of {_where(READ_TABLES.get(key.function), key.start, key.quantity, registers)}"
    return function_name(key.function)


def _where(table: str | None, start: int, count: int, registers: tuple[Register, ...]) -> str:
    """The register's name where the request is about one alone, else table and addresses."""
    if table is None or start < 0:
        return "records"
    own = next((r for r in registers if r.touches(table, start)), None)
    if own is not None and own.name and own.first <= start and start + max(count, 1) - 1 <= own.last:
        return _short(own.name)
    return f"{table} {addresses(start, count)}"
