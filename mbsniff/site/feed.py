"""What feeds a watchdog, as a site file says it (``fed_by``) → FedBy, or a RefusedError."""

from __future__ import annotations

import re
from typing import Any

from mbsniff.site.kinds import FLAG, Kind, RefusedError, UnfitError, choice, nearest, text
from mbsniff.site.limits import FedBy

LAST_ADDRESS = 0xFFFF  # MODBUS Application Protocol Specification V1.1b3, section 4.4

_RANGE = re.compile(r"\s*([0-9]{1,5})\s*(?:-\s*([0-9]{1,5})\s*)?")
_WORDS = ("request", "reply", "read", "write")
_WORD = choice(*_WORDS)


def _read_ranges(value: Any) -> tuple[tuple[int, int], ...]:
    if value is True:
        return ()
    if not isinstance(value, str):
        raise UnfitError
    return tuple(_range(part) for part in value.split(","))


def _range(part: str) -> tuple[int, int]:
    match = _RANGE.fullmatch(part)
    if match is None:
        raise UnfitError
    first, last = int(match[1]), int(match[2] or match[1])
    if first > last:
        raise UnfitError("The lower address comes first.")
    if last > LAST_ADDRESS:
        raise UnfitError
    return first, last


_RANGES = Kind(
    f'true, or data addresses from 0 to {LAST_ADDRESS} such as "40-41" or "0-15, 40"', _read_ranges
)
_KEYS: dict[str, Kind] = {**dict.fromkeys(_WORDS, _RANGES), "change": FLAG, "master": text()}


def _read_feed(value: Any) -> FedBy:
    if not isinstance(value, dict):
        return FedBy(_WORD.reader(value))
    values = {key: _entry(key, entry) for key, entry in value.items()}
    kinds: list[Any] = [word for word in _WORDS if word in values]
    if len(kinds) != 1:
        names = " and ".join(kinds) or "none"
        raise RefusedError(
            f"is a table with {names} of the four feeds", f"one of {_WORD.expected} as its key"
        )
    change = values.get("change", False)
    if change and kinds != ["write"]:
        raise RefusedError("is true, which needs write: only what is written can change", within=("change",))
    return FedBy(kinds[0], values[kinds[0]], change, values.get("master"))


def _entry(key: str, value: Any) -> Any:
    if key not in _KEYS:
        what = f"is not known{nearest(key, _KEYS)}"
        raise RefusedError(what, hint=f"Known in fed_by: {', '.join(_KEYS)}.", within=(key,))
    return _KEYS[key].read(value, key)


FEED = Kind(
    f'{_WORD.expected}, or a table such as {{ write = "40-41", change = true, master = "oven PLC" }}',
    _read_feed,
)
