"""Durations as text: what is taken, what is refused."""

import pytest

from mbsniff.errors import SiteError
from mbsniff.site import parse_duration_ns


@pytest.mark.parametrize(
    ("text", "duration_ns"),
    [
        ("3s", 3_000_000_000),
        ("250ms", 250_000_000),
        ("1.5 s", 1_500_000_000),
        ("2min", 120_000_000_000),
        ("3", 3_000_000_000),
        ("  0.1  ", 100_000_000),
        (".5s", 500_000_000),
        ("1h", 3_600_000_000_000),
        ("40 us", 40_000),
        ("40 µs", 40_000),
        ("17ns", 17),
        ("0", 0),
        ("0s", 0),
        ("0.000000001", 1),
    ],
)
def test_takes(text: str, duration_ns: int) -> None:
    """A number with a unit, or a bare number of seconds, is exact to the nanosecond."""
    assert parse_duration_ns(text) == duration_ns


@pytest.mark.parametrize(
    "text",
    ["-3", "+3", "", "s", "3 m", "3 sec onds", "1e3", "1,5s", "nan", "inf", "٣s", "3s4", "1.2.3", "9" * 30,
     "367h" * 2, "8785h", "0.1ns", "3S", "\x1b[31m3s"],
)  # fmt: skip
def test_refuses(text: str) -> None:
    """Signs, unknown units, other scripts' digits, absurd lengths and times that round to 0 are errors."""
    with pytest.raises(SiteError) as caught:
        parse_duration_ns(text)
    message = str(caught.value)
    assert message.isprintable() and "3s" in message and "250ms" in message
