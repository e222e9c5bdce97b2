"""Names of devices in, a short list of them out: "zones 1 to 6, 9 and fan 1"."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence

from mbsniff.errors import one_line

FEWEST_FOLDED = 3  # "zone 1 to 3", but "zone 1 and 2"
MOST_SHOWN = 8
_NUMBERED = re.compile(r"(|.*[^0-9.:])(0|[1-9][0-9]{0,8})")  # "zone 07" is a name; so are addresses


def folded(names: Sequence[str], most: int = MOST_SHOWN) -> str:
    """Names, those that differ by a number alone put together, and how many are left out; safe to print."""
    parts = list(_parts(names))
    totals: Counter[str] = Counter()
    for prefix, _, count in parts:
        totals[prefix] += count
    left = sum(count for _, _, count in parts[most:])
    shown = [
        rest if k and rest and prefix == parts[k - 1][0] else f"{_plural(prefix, totals[prefix])}{rest}"
        for k, (prefix, rest, _) in enumerate(parts[:most])
    ]
    if left:
        return f"{', '.join(shown)} and {left:,} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def _plural(prefix: str, count: int) -> str:
    """What stands before several numbers, where it is a word: "zones "."""
    is_word = prefix[-1:] == " " and prefix[-2:-1].isalpha() and prefix[-2:-1] != "s"
    return f"{prefix[:-1]}s " if count > 1 and is_word else prefix


def _parts(names: Sequence[str]) -> Iterator[tuple[str, str, int]]:
    """(prefix, number or numbers, how many names); a name without a number is its own prefix."""
    for prefix, numbers in _by_prefix(names).items():
        if not numbers:
            yield prefix, "", 1
        for first, last in _runs(sorted(numbers)):
            if last - first + 1 >= FEWEST_FOLDED:
                yield prefix, f"{first} to {last}", last - first + 1
            else:
                yield from ((prefix, str(number), 1) for number in range(first, last + 1))


def _by_prefix(names: Sequence[str]) -> dict[str, set[int]]:
    """What stands before a number: the numbers; in the order in which names come."""
    found: dict[str, set[int]] = {}
    for name in map(one_line, names):
        match = _NUMBERED.fullmatch(name)
        own = found.setdefault(match[1] if match else name, set())
        if match:
            own.add(int(match[2]))
    return found


def _runs(numbers: list[int]) -> Iterator[tuple[int, int]]:
    """The first and last of each run of numbers that follow each other."""
    begin = 0
    for k in range(1, len(numbers) + 1):
        if k == len(numbers) or numbers[k] != numbers[k - 1] + 1:
            yield numbers[begin], numbers[k - 1]
            begin = k
