"""Kinds of values in a site file: one TOML value in → the checked value, or a RefusedError."""

from __future__ import annotations

import difflib
import ipaddress
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from mbsniff.site.duration import MOST_S, NS_PER_S

Path = tuple[str | int, ...]  # keys, and indexes within lists, from the top of the file

_LONGEST_TEXT = 100


class RefusedError(ValueError):
    """A value that its kind does not take; ``within`` leads from the value to the part at fault."""

    def __init__(
        self, what: str, expected: str | None = None, hint: str | None = None, within: Path = ()
    ) -> None:
        super().__init__(what)
        self.what = what
        self.expected = expected
        self.hint = hint
        self.within = within


class UnfitError(ValueError):
    """Raised by a kind's reader for a value that is not as ``expected``; ``hint`` says how to mend it."""

    def __init__(self, hint: str | None = None) -> None:
        super().__init__(hint)
        self.hint = hint


@dataclass(frozen=True)
class Kind:
    """What is allowed, and how it is read."""

    expected: str
    """Completes "expected …" in an error, and stands in the documentation."""
    reader: Callable[[Any], Any]
    """The checked value of a TOML value; raises UnfitError, or RefusedError for a part of it."""
    cell: Literal["value", "text", "list"] = "value"
    """What a cell of a register list stands for: a number, true or false; text; items between bars."""

    def read(self, value: Any, *steps: str | int) -> Any:
        """The checked value; raises RefusedError, which leads through ``steps`` to the part at fault."""
        try:
            return self.reader(value)
        except UnfitError as unfit:
            raise RefusedError(f"is {shown(value)}", self.expected, unfit.hint, steps) from None
        except RefusedError as refused:
            refused.within = (*steps, *refused.within)
            raise


def shown(value: Any) -> str:
    """A TOML value as an error message shows it, cut to a readable length."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{cut(value)}"'
        case int():
            return str(value) if abs(value) < 10**20 else "a number of more than 20 digits"
        case float():
            return repr(value)
        case list():
            return "a list" if value else "an empty list"
        case dict():
            return "a table"
    return "a date or time"


def cut(text: str, most: int = 60) -> str:
    """The text, shortened where it would drown the message that quotes it."""
    return text if len(text) <= most else f"{text[:most]}…"


def nearest(word: str, known: Iterable[str]) -> str:
    """``; did you mean "…"?`` with the nearest known word, or nothing where none is near."""
    near = difflib.get_close_matches(word[:_LONGEST_TEXT], list(known), n=1, cutoff=0.6)
    return f'; did you mean "{near[0]}"?' if near else ""


def number(least: float, most: float, hint: str | None = None) -> Kind:
    """A number within a range, which no NaN and no infinity is."""

    def read(value: Any) -> float:
        if type(value) not in (int, float) or not least <= value <= most:
            raise UnfitError(hint)
        return float(value)

    return Kind(f"a number from {least:g} to {most:,g}", read)


def seconds(least_s: float, zero: bool = True) -> Kind:
    """At least so many seconds, or 0 where that has a meaning of its own → nanoseconds."""

    def read(value: Any) -> int:
        if type(value) not in (int, float) or not ((zero and value == 0) or least_s <= value <= MOST_S):
            raise UnfitError
        return round(Decimal(str(value)) * NS_PER_S)

    return Kind(f"a number of seconds: {'0, or ' if zero else ''}{least_s:g} to {MOST_S} (366 days)", read)


def whole(least: int, most: int) -> Kind:
    """A whole number within a range."""

    def read(value: Any) -> int:
        if type(value) is not int or not least <= value <= most:
            raise UnfitError
        return value

    return Kind(f"a whole number from {least} to {most}", read)


def _read_flag(value: Any) -> bool:
    if type(value) is not bool:
        raise UnfitError
    return value


FLAG = Kind("true or false", _read_flag)


def choice(*words: str) -> Kind:
    """One of a few words."""

    def read(value: Any) -> str:
        if value not in words:
            raise UnfitError
        return str(value)

    quoted = [f'"{word}"' for word in words]
    return Kind(f"{', '.join(quoted[:-1])} or {quoted[-1]}", read, "text")


def text(expected: str = f"printable text of 1 to {_LONGEST_TEXT} characters") -> Kind:
    """A name: printable, so that it can neither break a table nor command a terminal."""

    def read(value: Any) -> str:
        if not isinstance(value, str) or not 1 <= len(value.strip()) <= _LONGEST_TEXT:
            raise UnfitError
        if not value.isprintable():
            raise UnfitError("It holds characters that do not print.")
        return value.strip()

    return Kind(expected, read, "text")


def _read_address(value: Any) -> str:
    if not isinstance(value, str):
        raise UnfitError
    if re.fullmatch(r"\[.+\](:[0-9]+)?|[0-9.]+:[0-9]+", value):
        raise UnfitError("Brackets are left out, and a port has a key of its own: port.")
    if "%" in value:
        raise UnfitError("Leave out the interface after %: a recording does not show it.")
    try:
        address = ipaddress.ip_address(value.strip())
    except ValueError:
        raise UnfitError from None
    if address.is_unspecified or address.is_multicast:
        raise UnfitError("No single station has that address.")
    return str(address)


ADDRESS = Kind('an IPv4 or IPv6 address such as "192.0.2.50" or "2001:db8::50"', _read_address, "text")


def is_station(address: str) -> bool:
    """Whether a site file takes the address: one that a single station can have."""
    try:
        ADDRESS.read(address)
    except RefusedError:
        return False
    return True


def _read_hardware_address(value: Any) -> str:
    digits = re.fullmatch(
        r"([0-9A-Fa-f]{2})([-:])((?:[0-9A-Fa-f]{2}\2){4}[0-9A-Fa-f]{2})", str(value).strip()
    )
    if not isinstance(value, str) or digits is None:
        raise UnfitError
    return f"{digits[1]}-{digits[3]}".replace(":", "-").upper()


# RFC 7042, section 1.2: octets in hexadecimal with hyphens between them.
HARDWARE_ADDRESS = Kind(
    'six octets such as "00-00-5E-00-53-51" or "00:00:5e:00:53:51"', _read_hardware_address, "text"
)


def list_of(item: Kind) -> Kind:
    """A list of at least one item of another kind, none of them twice."""

    def read(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list) or not value:
            raise UnfitError(None if isinstance(value, list) else "One item stands in [ ] as well.")
        items: dict[Any, None] = {}
        for index, raw in enumerate(value):
            read_item = item.read(raw, index)
            if read_item in items:
                raise RefusedError(f"is {shown(raw)}, which the list holds already", within=(index,))
            items[read_item] = None
        return tuple(items)

    return Kind(f"a list in [ ], each item {item.expected}", read, "list")


def alone(item: Kind) -> Kind:
    """One item → a list of it, for a key that stands for a list of one."""
    return Kind(item.expected, lambda value: (item.reader(value),))
