"""Values by which a site file refers to registers, states and numbers of a manual, checked one by one."""

from __future__ import annotations

from typing import Any

from mbsniff.site.kinds import Kind, RefusedError, UnfitError, nearest, text, whole
from mbsniff.site.limits import Tripped
from mbsniff.site.register import LAST_ADDRESS

_NAME = text()
_ADDRESS = whole(0, LAST_ADDRESS)
_WORD = whole(0, 0xFFFF)
_LARGEST_NUMBER = 465_536  # the last holding register in 6-digit numbering


class ManualNumber(int):
    """A register's number as its manual has it, not yet an address."""


def _read_register(value: Any) -> str | int:
    fitting = _NAME if isinstance(value, str) else _ADDRESS
    read: str | int = fitting.reader(value)
    return read


def _read_number(value: Any) -> ManualNumber:
    return ManualNumber(whole(0, _LARGEST_NUMBER).reader(value))


def _read_tripped(value: Any) -> Tripped:
    if not isinstance(value, dict) or not value:
        raise UnfitError
    for key in value:
        if key not in ("mask", "value"):
            known = ("mask", "value")
            raise RefusedError(
                f"is not known{nearest(key, known)}", hint="Known here: mask, value.", within=(key,)
            )
    words = {key: _WORD.read(word, key) for key, word in value.items()}
    mask = words.get("mask", 0xFFFF)
    tripped = Tripped(mask, words.get("value", mask))
    if tripped.value & ~mask or not mask:
        raise RefusedError("can never be", "a value whose bits lie under a mask that is not 0")
    return tripped


REGISTER = Kind(
    f"the name of one of the device's registers, or a holding register's address from 0 to {LAST_ADDRESS}",
    _read_register,
)
NUMBER = Kind(f"a whole number from 0 to {_LARGEST_NUMBER}", _read_number)
TRIPPED = Kind(
    "a table such as { mask = 0x0008 } (all these bits are set) or { mask = 0x000F, value = 3 }",
    _read_tripped,
)
