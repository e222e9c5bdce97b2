"""The devices of two recordings in, pairs of the same device out, and those that only one recording has."""

from __future__ import annotations

from collections.abc import Callable, Hashable

from mbsniff.diagnose import Verdict

Pair = tuple[Verdict, Verdict]


def matched(before: list[Verdict], after: list[Verdict]) -> tuple[list[Pair], list[Verdict], list[Verdict]]:
    """(the same device before and after, only before, only after), each in the order given.

    A site name says which device it is, wherever it is; of several devices under one name the same units belong
    together. Those that have no name in one of the recordings go by address, port and units.
    """
    pairs: dict[int, int] = {}
    for rule in (_name_and_units, _name, _address):
        _join(before, after, rule, pairs)
    found = [(before[i], after[j]) for i, j in sorted(pairs.items())]
    rest = [v for i, v in enumerate(before) if i not in pairs]
    return found, rest, [v for j, v in enumerate(after) if j not in set(pairs.values())]


def _join(
    before: list[Verdict],
    after: list[Verdict],
    identity: Callable[[Verdict], Hashable | None],
    pairs: dict[int, int],
) -> None:
    """Add the pairs whose identity only one device on each side has."""
    left = _alone(before, identity, set(pairs))
    right = _alone(after, identity, set(pairs.values()))
    for key in left.keys() & right.keys():
        i, j = left[key], right[key]
        names = before[i].figures.name, after[j].figures.name
        if names[0] == names[1] or None in names:
            pairs[i] = j


def _alone(
    verdicts: list[Verdict], identity: Callable[[Verdict], Hashable | None], taken: set[int]
) -> dict[Hashable, int]:
    found: dict[Hashable, list[int]] = {}
    for place, verdict in enumerate(verdicts):
        key = identity(verdict)
        if place not in taken and key is not None:
            found.setdefault(key, []).append(place)
    return {key: places[0] for key, places in found.items() if len(places) == 1}


def _name_and_units(verdict: Verdict) -> Hashable | None:
    figures = verdict.figures
    return (figures.name, figures.units) if figures.name else None


def _name(verdict: Verdict) -> Hashable | None:
    return verdict.figures.name


def _address(verdict: Verdict) -> Hashable | None:
    return verdict.figures.key
