"""Numbers in words: lengths of time, clocks, counts, addresses."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mbsniff.diagnose.wording import addresses, between, clock, counted, day, duration, listed, moment, named
from mbsniff.site import Numbering

UNITS_NS = {"ns": 1, "µs": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}


@pytest.mark.parametrize(
    ("ns", "words"),
    [
        (0, "0 ns"), (999, "999 ns"), (1_000, "1 µs"), (999_499, "999 µs"), (999_500, "1 ms"),
        (850_000_000, "850 ms"), (999_499_999, "999 ms"), (999_600_000, "1 s"), (3_280_000_000, "3.28 s"),
        (99_949_000_000, "99.9 s"), (99_960_000_000, "1 min 40 s"), (250 * 10**9, "4 min 10 s"),
        (7_200 * 10**9, "2 h 0 min"), (-3_000_000_000, "-3 s"),
    ],
)  # fmt: skip
def test_duration(ns: int, words: str) -> None:
    """About three digits, in the unit that suits."""
    assert duration(ns) == words


@given(st.integers(0, 10**15))
def test_duration_is_near(ns: int) -> None:
    """Read back, the words are within half a percent, or half a minute from 100 min on; never an exponent."""
    words = duration(ns)
    parts = re.findall(r"([\d.]+) (ns|µs|ms|s|min|h)\b", words)
    assert " ".join(f"{number} {unit}" for number, unit in parts) == words
    back = sum(float(number) * UNITS_NS[unit] for number, unit in parts)
    slack = 61 * 10**9 if words.endswith("min") else ns * 0.0051
    assert abs(back - ns) <= slack


@pytest.mark.parametrize(
    ("shortest", "longest", "words"),
    [
        (9_980_000_000, 10_100_000_000, "9.98 to 10.1 s"), (900_000_000, 10**10, "900 ms to 10 s"),
        (9_980_000_000, None, "9.98 s or more"), (10**10, 10**10 + 1, "10 s"),
        (250 * 10**9, 251 * 10**9, "4 min 10 s to 4 min 11 s"),
    ],
)  # fmt: skip
def test_between(shortest: int, longest: int | None, words: str) -> None:
    """The unit once where both have the same; lengths of two units in full."""
    assert between(shortest, longest) == words


@given(st.integers(0, 4 * 10**18))
def test_times_are_exact(ns: int) -> None:
    """ISO 8601 with nine decimals gives back the nanosecond; the clock cuts to the millisecond."""
    text = moment(ns)
    seconds = int(datetime.fromisoformat(text[:19]).replace(tzinfo=UTC).timestamp())
    assert seconds * 10**9 + int(text[20:29]) == ns
    assert text.endswith("Z")
    assert (day(ns), clock(ns)) == (text[:10], text[11:23])


def test_counts_lists_addresses_and_names() -> None:
    """Nouns agree with their numbers; long lists are cut; names cannot act."""
    assert [counted(1, "request"), counted(1204, "request"), counted(2, "reply", "replies")] == [
        "1 request", "1,204 requests", "2 replies",
    ]  # fmt: skip
    assert listed(["a", "b", "c", "d"], 2) == "a, b and 2 more"
    assert listed(["a", "b"], 2) == "a, b"
    assert [addresses(0, 16), addresses(40, 1), addresses(40, None), addresses(None, 3)] == [
        "0-15",
        "40",
        "40",
        "",
    ]
    assert named("192.0.2.50:502/1", "zo\nne\x1b") == "zo\\nne\\x1b (192.0.2.50:502/1)"
    assert named("192.0.2.50:502/1", None) == "192.0.2.50:502/1"


@pytest.mark.parametrize(
    ("numbering", "expected"),
    [(None, "40"), ("from-0", "40"), ("from-1", "40 (no. 41)"), ("5-digit", "40 (no. 40041)")],
)
def test_addresses_as_the_manual_counts(numbering: Numbering | None, expected: str) -> None:
    """Common practice: a manual's register 41, or 40041, is what a request asks for at address 40."""
    assert addresses(40, 1, "holding", numbering) == expected
    assert addresses(40, 2, "holding", "from-1") == "40-41 (no. 41-42)"
