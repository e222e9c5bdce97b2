"""Devices before and after that are the same, by site name, units and address."""

from __future__ import annotations

import dataclasses

from mbsniff.compare.matching import matched
from mbsniff.diagnose import Verdict
from tests.compare.made import diagnosed, one_device, polled


def verdict(name: str | None, last: int, units: tuple[int, ...] = (1,)) -> Verdict:
    """A device's verdict, with nothing of interest in it but what it is called."""
    own = dataclasses.replace(one_device(), name=name, address=f"192.0.2.{last}", units=units)
    return dataclasses.replace(diagnosed(polled(until_s=2), until_s=2).verdicts[0], figures=own)


def told(before: list[Verdict], after: list[Verdict]) -> list[tuple[str, str]]:
    """The keys of pairs, and of what is left with "-" beside it."""
    pairs, old, new = matched(before, after)
    both = [(a.figures.key[8:], b.figures.key[8:]) for a, b in pairs]
    return [*both, *((v.figures.key[8:], "-") for v in old), *(("-", v.figures.key[8:]) for v in new)]


def test_names_outrank_addresses() -> None:
    """Two zones that swapped their addresses are matched by name."""
    before = [verdict("zone 1", 51), verdict("zone 2", 52)]
    after = [verdict("zone 2", 51), verdict("zone 1", 52)]
    assert told(before, after) == [("51:502/1", "52:502/1"), ("52:502/1", "51:502/1")]


def test_without_a_name_the_address_tells() -> None:
    """A device that only one site file names is the one at its address."""
    assert told([verdict(None, 51)], [verdict("zone 1", 51)]) == [("51:502/1", "51:502/1")]
    assert told([verdict(None, 51)], [verdict(None, 52)]) == [("51:502/1", "-"), ("-", "52:502/1")]


def test_another_name_is_another_device() -> None:
    """At the same address, but named otherwise: two devices."""
    assert told([verdict("zone 1", 51)], [verdict("zone 9", 51)]) == [("51:502/1", "-"), ("-", "51:502/1")]


def test_units_under_one_name_stay_apart() -> None:
    """The units behind a gateway share its name; each is matched with itself where the gateway moved."""
    before = [verdict("gateway", 51, (1,)), verdict("gateway", 51, (2,))]
    after = [verdict("gateway", 61, (2,)), verdict("gateway", 61, (1,)), verdict("gateway", 61, (3,))]
    assert told(before, after) == [("51:502/1", "61:502/1"), ("51:502/2", "61:502/2"), ("-", "61:502/3")]


def test_a_new_unit_under_an_old_name() -> None:
    """One device of a name before and after is the same one, even if its unit identifier changed."""
    assert told([verdict("zone 1", 51, (1,))], [verdict("zone 1", 51, (2,))]) == [("51:502/1", "51:502/2")]
