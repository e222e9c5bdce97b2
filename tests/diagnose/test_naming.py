"""Names in, short lists out."""

from __future__ import annotations

import pytest

from mbsniff.diagnose.naming import folded


@pytest.mark.parametrize(
    ("names", "text"),
    [
        ([], ""),
        (["zone 3"], "zone 3"),
        (["zone 1", "zone 2"], "zones 1 and 2"),
        ([f"zone {n}" for n in range(1, 7)], "zones 1 to 6"),
        (["zone 6", "zone 2", "zone 1", "zone 3"], "zones 1 to 3 and 6"),
        (["zone 1", "fan 1", "zone 2", "zone 3", "pump"], "zones 1 to 3, fan 1 and pump"),
        (["zone 01", "zone 02", "zone 03"], "zone 01, zone 02 and zone 03"),
        ([f"zone {n}" for n in range(500)], "zones 0 to 499"),
        ([f"192.0.2.{n}:502/1" for n in range(3)], "192.0.2.0:502/1, 192.0.2.1:502/1 and 192.0.2.2:502/1"),
        (["1", "2", "3"], "1 to 3"),
        (["192.0.2.10", "192.0.2.11", "192.0.2.12"], "192.0.2.10, 192.0.2.11 and 192.0.2.12"),
        (["2001:db8::1", "2001:db8::2"], "2001:db8::1 and 2001:db8::2"),
        (["press 1", "press 2", "line-4", "line-5"], "press 1, 2, line-4 and 5"),
        (["a\x1b[31m1", "b\n2"], "a\\x1b[31m1 and b\\n2"),
    ],
)
def test_folded(names: list[str], text: str) -> None:
    """Numbers in a row stand together after their name; other names stay as they are; nothing acts on a terminal."""
    assert folded(names) == text


def test_many_that_differ_are_counted() -> None:
    """Eight entries, then how many names are left out, those within runs among them."""
    names = [f"{letter} {n}" for letter in "abcdefghij" for n in (1, 2, 3)]
    assert folded(names).endswith("gs 1 to 3, hs 1 to 3 and 6 more")
    assert folded([f"192.0.2.{n}:502/1" for n in range(200)]).endswith("and 192 more")
